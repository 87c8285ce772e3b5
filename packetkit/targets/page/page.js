(function () {
'use strict';

// The page's own code: it shows what the codec above says, and computes nothing of a frame that the codec can tell. All words come from
// the table of words, all facts from packetkit; text goes in as text, never as markup.

const FACTS = JSON.parse(document.getElementById('facts').textContent);
const CODEC = self[FACTS.variable];
const state = {language: FACTS.language, frame: Object.keys(FACTS.frames)[0], record: {}, variants: {}, bytes: [], sent: [], focus: 0};

function word(key, filling) {
  const text = FACTS.words[state.language][key];
  return text.replace(/\{(\w+)\}/g, (whole, name) => (filling && name in filling ? filling[name] : whole));
}

function make(tag, attributes, ...children) {
  const made = document.createElement(tag);
  Object.keys(attributes || {}).forEach((name) => {
    if (name === 'text') { made.textContent = attributes.text; } else { made.setAttribute(name, attributes[name]); }
  });
  children.forEach((child) => made.append(child));
  return made;
}

function byId(id) { return document.getElementById(id); }

function replace(parent, ...children) { parent.replaceChildren(...children); }

function facts() { return FACTS.frames[state.frame]; }

function codec() { return CODEC.frames[state.frame]; }

function options(more) { return Object.assign({variants: state.variants}, more); } // no byte says a variant that is told from outside

function hex(bytes) { return Array.from(bytes, (one) => one.toString(16).padStart(2, '0')).join(' '); }

// -- where fields lie: the table of the codec, gone through beside a detail record --

function wireBits(run, slot, base) {
  const bits = [];
  if (slot.split) {
    slot.split.forEach((piece) => {
      const part = Object.assign({}, slot, {split: null, at: piece[0], bits: piece[1]});
      bits.push(...wireBits(run, part, base));
    });
    return bits;
  }
  for (let i = 0; i < slot.bits; i += 1) {
    const bit = slot.at + i;
    if (run.word) {
      const octet = bit >> 3, size = run.word / 8;
      bits.push(base + (octet - octet % size + size - 1 - octet % size) * 8 + bit % 8);
    } else if (run.packing === 'least') {
      bits.push(((base + bit) >> 3) * 8 + 7 - (base + bit) % 8);
    } else {
      bits.push(base + bit);
    }
  }
  if (run.packing === 'least' && !run.word) { bits.reverse(); }
  if (slot.octets_reversed) {
    const turned = [];
    for (let at = bits.length - 8; at >= 0; at -= 8) { turned.push(...bits.slice(at, at + 8)); }
    bits.splice(0, bits.length, ...turned);
  }
  return slot.bits_reversed ? bits.reverse() : bits;
}

function inside(container, path) { return path.reduce((found, key) => (found ? found[key] : undefined), container); }

function joined(prefix, path) { return path.length ? (prefix ? prefix + '.' : '') + path.join('.') : prefix; }

// Every field with its bits, the most significant first; at: the first bit behind them all.
function fieldsOf(nodes, detail, at, prefix, found, starts = {}) {
  nodes.forEach((node) => {
    starts[node.number] = at;
    if (node.part === 'run') {
      node.slots.forEach((slot) => {
        const address = joined(prefix, slot.path);
        found.push({slot, address, bits: wireBits(node, slot, at), leaf: inside(detail, slot.path)});
      });
      at += node.size || 0;
    } else if (node.part === 'fill') {
      const from = at - (node.since === undefined ? 0 : starts[node.since]), width = (node.unit - from % node.unit) % node.unit;
      const slot = Object.assign({}, node.slot, {at: 0, bits: width});
      if (width) { found.push({slot, address: joined(prefix, slot.path), bits: wireBits(node, slot, at), leaf: null}); }
      at += width;
    } else if (node.part === 'measured') {
      at = fieldsOf(node.nodes, detail, at, prefix, found, starts);
    } else if (node.part === 'choice') {
      const name = Object.keys(inside(detail, node.path))[0], address = joined(prefix, node.path) + '.' + name;
      const branch = node.branches.concat(node.unknown || []).find((one) => one.name === name);
      at = fieldsOf(branch.nodes, inside(detail, node.path)[name], at, address, found, starts);
    } else if (node.joined) {
      const leaf = inside(detail, node.path), bits = [];
      const end = at + node.least * (typeof leaf.raw === 'string' ? leaf.raw.length / 2 : leaf.raw.length);
      for (; at < end; at += node.least) { bits.push(...wireBits(node.nodes[0], node.nodes[0].slots[0], at)); }
      found.push({slot: {kind: 'text'}, address: joined(prefix, node.path), bits, leaf});
    } else if (node.part === 'repeat') {
      (inside(detail, node.path) || []).forEach((one, number) => {
        at = fieldsOf(node.nodes, one, at, joined(prefix, node.path) + '[' + number + ']', found, starts);
      });
    } else {
      const body = inside(detail, node.path);
      if (body !== null && body !== undefined) { at = fieldsOf(node.nodes, body, at, joined(prefix, node.path), found, starts); }
    }
  });
  return at;
}

// What the bytes are: the detail record, the fields' places, and why they are no good frame ('' where they are).
function read(bytes) {
  let reason = '', detail = null;
  try {
    detail = codec().decode(Uint8Array.from(bytes), options({detail: true}));
  } catch (error) {
    reason = error.reason || String(error);
    try { detail = codec().decode(Uint8Array.from(bytes), options({detail: true, salvage: true})); } catch (other) { detail = null; }
  }
  const fields = [];
  if (detail) { fieldsOf(codec().table.nodes, detail, 0, '', fields); }
  return {detail, fields, reason};
}

// -- the strip --

function shade(slot) {
  if (slot.kind === 'check') { return 'check'; }
  if (slot.kind === 'reserved' || (slot.codes && slot.hidden)) { return 'always'; }
  return slot.kind === 'count' || slot.kind === 'length' ? 'told' : 'value';
}

function bitAt(bytes, bit) { return (bytes[bit >> 3] >> (7 - bit % 8)) & 1; }

function drawStrip(found) {
  const owners = [];
  found.fields.forEach((field) => field.bits.forEach((bit, place) => { owners[bit] = {field, rank: field.bits.length - 1 - place}; }));
  const strip = byId('strip');
  replace(strip, ...state.bytes.map((octet, number) => {
    const box = make('div', {class: 'octet'}, make('div', {class: 'hex', text: number + ': ' + octet.toString(16).padStart(2, '0')}));
    for (let i = 0; i < 8; i += 1) { box.append(bitButton(number * 8 + i, owners[number * 8 + i])); }
    for (let i = 0; i < 8;) {
      const owner = owners[number * 8 + i];
      let span = 1;
      while (i + span < 8 && (owners[number * 8 + i + span] || {}).field === (owner || {}).field) { span += 1; }
      const name = owner ? owner.field.address.replace(/.*\./, '') : '';
      // A bit or two have room for three letters or six: a longer name stands upright there.
      const upright = span < 3 && name.length > 3 * span ? 'upright ' : '';
      const label = make('div', {class: 'name ' + upright + (owner ? shade(owner.field.slot) : ''), style: 'grid-column: span ' + span, text: name});
      label.title = owner ? owner.field.address : '';
      box.append(label);
      i += span;
    }
    return box;
  }));
}

function bitButton(bit, owner) {
  const value = bitAt(state.bytes, bit), turned = state.sent.length === state.bytes.length && bitAt(state.sent, bit) !== value;
  const where = owner ? word('bit_of', {number: owner.rank, field: owner.field.address, value}) : word('byte_bit', {byte: bit >> 3, bit: 7 - bit % 8});
  const button = make('button', {
    type: 'button', text: String(value), 'data-bit': bit, 'aria-label': where, 'aria-pressed': String(turned),
    tabindex: bit === state.focus ? '0' : '-1', class: (turned ? 'flipped ' : '') + (owner ? shade(owner.field.slot) : ''),
  });
  button.title = where;
  return button;
}

function focusBit(bit) {
  state.focus = Math.max(0, Math.min(state.bytes.length * 8 - 1, bit));
  byId('strip').querySelectorAll('button').forEach((one) => { one.tabIndex = Number(one.dataset.bit) === state.focus ? 0 : -1; });
  const button = byId('strip').querySelector('[data-bit="' + state.focus + '"]');
  if (button) { button.focus(); }
}

function flip(bit) {
  state.bytes[bit >> 3] ^= 0x80 >> bit % 8;
  state.focus = bit;
  const found = read(state.bytes);
  byId('hex').value = hex(state.bytes);
  show(found);
  showValues(found);
  focusBit(bit);
}

// -- the status, and all that follows from the bytes --

function flippedCount() {
  let count = 0;
  for (let bit = 0; bit < state.bytes.length * 8; bit += 1) { count += bitAt(state.sent, bit) !== bitAt(state.bytes, bit); }
  return count;
}

function show(found) {
  const told = [found.reason ? word('bad', {reason: found.reason}) : word('good')];
  if (state.sent.length === state.bytes.length && flippedCount()) { told.push(word('flipped', {count: flippedCount()})); }
  byId('status').textContent = told.join(' ');
  drawStrip(found);
  showChecks(found);
  later();
}

let isWaiting = false;

// What takes longer than a keystroke may: once the rest is on the screen.
function later() {
  if (isWaiting) { return; }
  isWaiting = true;
  setTimeout(() => { isWaiting = false; showDivision(); showStreams(); }, 0);
}

function setBytes(bytes, isDamage) {
  state.bytes = Array.from(bytes);
  if (!isDamage) { state.sent = state.bytes.slice(); }
  byId('lost').max = String(Math.max(state.bytes.length * 6 - 1, 0));
}

// -- values --

function plain(record) { return record === null || typeof record !== 'object' ? record : JSON.parse(JSON.stringify(record)); }

function encodeRecord() {
  const faults = byId('faults');
  try {
    setBytes(codec().encode(state.record), false);
    replace(faults);
  } catch (error) {
    if (!error.faults) { throw error; }
    replace(faults, ...error.faults.map((one) => make('p', {class: 'fault', text: (one.path ? one.path + ': ' : '') + one.message})));
    return;
  }
  byId('hex').value = hex(state.bytes);
  const found = read(state.bytes);
  show(found);
  showSent(found);
}

function factsOf(address) { return facts().fields[address.replace(/\[\d+\]/g, '[]')] || {}; }

function setAt(path, value) {
  let into = state.record;
  path.slice(0, -1).forEach((key) => { into = into[key]; });
  if (path.length) { into[path[path.length - 1]] = value; } else { state.record = value; }
}

function addressOf(path) {
  return path.reduce((text, key) => (typeof key === 'number' ? text + '[' + key + ']' : (text ? text + '.' : '') + key), '');
}

// The rows of a record: leaves, lists and options, each with what it may be.
function valueRows(value, path, rows) {
  const address = addressOf(path), fact = factsOf(address);
  if (Array.isArray(value)) {
    if (fact.varies) { rows.push({path, address, fact, isList: true, value}); }
    value.forEach((one, number) => valueRows(one, [...path, number], rows));
  } else if (fact.variants && value) {
    if (fact.turn) { Object.keys(fact.variants).forEach((name) => { value[name] = name in value ? value[name] : plain(fact.variants[name]); }); }
    if (!fact.turn) { rows.push({path, address, fact, isChoice: true, value}); }
    inner(value);
  } else if (fact.optional) {
    rows.push({path, address, fact, isOption: true, value});
    if (value !== null && typeof value === 'object') { inner(value); } else if (value !== null) { rows.push({path, address, fact, value}); }
  } else if (value !== null && typeof value === 'object') {
    inner(value);
  } else {
    rows.push({path, address, fact, value});
  }
  return rows;

  function inner(one) { Object.keys(one).forEach((key) => valueRows(one[key], [...path, key], rows)); }
}

function idOf(row) { return (row.isOption ? 'there-' : row.isChoice ? 'variant-' : 'value-') + row.address; }

const AS_TEXT = ['text', 'octets', 'time', 'radix_text'];

// One of several variants: those that fields of the record tell are told by them, too.
function variantOf(row, id) {
  const now = Object.keys(row.value)[0], names = Object.keys(row.fact.variants);
  const input = make('select', {id}, ...names.concat(names.includes(now) ? [] : now).map((name) => make('option', {text: name, value: name})));
  input.value = now;
  input.onchange = () => {
    setAt(row.path, {[input.value]: plain(row.fact.variants[input.value])});
    row.fact.told[input.value].forEach(([path, value]) => setAt(path, value));
    if (row.fact.outside) { state.variants[row.address.replace(/\[\d+\]/g, '[]')] = input.value; }
    encodeRecord();
    showValues();
  };
  return input;
}

function inputOf(row) {
  const id = idOf(row);
  let input;
  if (row.isList) {
    const more = make('button', {type: 'button', text: word('more')}), fewer = make('button', {type: 'button', text: word('fewer')});
    more.setAttribute('aria-label', row.address + ': ' + word('more'));
    fewer.setAttribute('aria-label', row.address + ': ' + word('fewer'));
    more.onclick = () => { row.value.push(plain(row.fact.element)); encodeRecord(); showValues(); };
    fewer.onclick = () => { row.value.pop(); encodeRecord(); showValues(); };
    return make('span', {id}, more, ' ', fewer);
  }
  if (row.isChoice) { return variantOf(row, id); }
  if (row.isOption || row.fact.kind === 'flag') {
    input = make('input', {type: 'checkbox', id});
    input.checked = row.isOption ? row.value !== null : row.value === true;
    input.onchange = () => {
      setAt(row.path, row.isOption ? (input.checked ? plain(row.fact.element) : null) : input.checked);
      if (row.isOption && row.fact.flag) { setAt(row.fact.flag, input.checked); }
      encodeRecord();
      if (row.isOption) { showValues(); }
    };
    return input;
  }
  if (row.fact.states) {
    input = make('select', {id}, ...row.fact.states.map((name) => make('option', {text: name, value: name})));
    if (typeof row.value === 'number') { input.append(make('option', {text: String(row.value), value: String(row.value)})); }
    input.value = String(row.value);
    input.onchange = () => { setAt(row.path, row.fact.states.includes(input.value) ? input.value : Number(input.value)); encodeRecord(); };
    return input;
  }
  const isText = AS_TEXT.includes(row.fact.kind);
  input = make('input', {id, class: isText ? 'text' : 'number', inputmode: isText ? 'text' : 'decimal', autocomplete: 'off'});
  input.value = row.value === null ? '' : String(row.value);
  input.placeholder = row.fact.missing ? word('missing') : '';
  input.oninput = () => {
    if (isText) {
      setAt(row.path, input.value === '' && row.fact.missing ? null : input.value);
      encodeRecord();
      return;
    }
    const text = input.value.trim().replace(',', '.'), number = Number(text);
    setAt(row.path, text === '' ? null : row.fact.wide ? text : Number.isNaN(number) ? text : number);
    encodeRecord();
  };
  return input;
}

let shownRows = [];

function showValues(found) {
  if (found) {
    try { state.record = codec().decode(Uint8Array.from(state.bytes), options()); } catch (error) { showSent(found); return; }
  }
  shownRows = valueRows(state.record, [], []);
  const heads = ['field', 'given', 'code', 'bits', 'sent', 'off', 'range'];
  const body = shownRows.map((row) => {
    const label = make('label', {for: idOf(row), text: row.address + (row.isOption ? ': ' + word('there') : row.isChoice ? ': ' + word('variant') : '')});
    if (row.isList) { label.removeAttribute('for'); }
    row.cells = ['code', 'bits', 'sent', 'off'].map(() => make('td', {class: 'end'}));
    return make('tr', {}, make('td', {}, label), make('td', {}, inputOf(row)), ...row.cells, make('td', {text: row.fact.range || ''}));
  });
  replace(byId('values'),
    make('thead', {}, make('tr', {}, ...heads.map((key) => make('th', {scope: 'col', text: word(key)})))), make('tbody', {}, ...body));
  showSent(read(state.bytes));
}

// A row's field and what was sent for it; of a bundle the sample, whose code is not its own.
function fieldOfRow(byAddress, row) {
  const field = byAddress[row.address], sample = (/^(.*)\[(\d+)\]$/.exec(row.address)), bundle = sample && byAddress[sample[1]];
  if (row.isChoice) { return []; }
  if (field || !bundle || !bundle.leaf || !Array.isArray(bundle.leaf.value)) { return [field, field && field.leaf]; }
  return [null, {raw: '', value: bundle.leaf.value[Number(sample[2])]}];
}

function shortened(text) { return text.length > 28 ? text.slice(0, 27) + '\u2026' : text; }

function showSent(found) {
  const byAddress = {};
  found.fields.forEach((field) => { byAddress[field.address] = field; });
  shownRows.forEach((row) => {
    const [field, leaf] = fieldOfRow(byAddress, row);
    const given = inside(state.record, row.path), sent = leaf ? leaf.value : undefined;
    const unit = row.fact.unit ? ' ' + row.fact.unit : '';
    const off = typeof given === 'number' && typeof sent === 'number' ? Math.abs(sent - given) : null;
    const told = [
      leaf ? shortened(String(leaf.raw)) : '', field ? String(field.bits.length) : '',
      leaf ? (sent === null ? leaf.reason || word('missing') : shortened(String(sent)) + unit) : '', off === null ? '' : String(Number(off.toPrecision(3))),
    ];
    row.cells.forEach((cell, at) => { cell.textContent = told[at]; });
  });
}

// -- checks beside each other --

function reflected(value, width) {
  let made = 0;
  for (let i = 0; i < width; i += 1) { if (value & (1 << i)) { made |= 1 << (width - 1 - i); } }
  return made >>> 0;
}

function crcOf(row, bytes) {
  const top = row.width === 32 ? 0x80000000 : 1 << (row.width - 1), all = row.width === 32 ? 0xffffffff : (1 << row.width) - 1;
  let register = row.init;
  bytes.forEach((octet) => {
    const fed = row.reflect_in ? reflected(octet, 8) : octet;
    for (let i = 7; i >= 0; i -= 1) {
      const out = ((register & top) !== 0) !== (((fed >> i) & 1) === 1);
      register = ((register << 1) ^ (out ? row.poly : 0)) & all;
    }
  });
  if (row.reflect_out) { register = reflected(register, row.width); }
  return (register ^ row.final_xor) >>> 0;
}

const SUMS = {
  parity: (bytes) => bytes.reduce((sum, octet) => { let x = octet; x ^= x >> 4; x ^= x >> 2; x ^= x >> 1; return sum ^ (x & 1); }, 0),
  xor: (bytes) => bytes.reduce((sum, octet) => sum ^ octet, 0),
  sum: (bytes) => bytes.reduce((sum, octet) => (sum + octet) & 255, 0),
  fletcher: (bytes) => {
    let first = 0, second = 0;
    bytes.forEach((octet) => { first = (first + octet) % 255; second = (second + first) % 255; });
    return (second << 8) | first;
  },
};

function taught(row, bytes) { return row.family === 'crc' ? crcOf(row, bytes) : SUMS[row.family](bytes); }

function checkFields(found) { return found.fields.filter((field) => field.slot.kind === 'check'); }

function codeText(value, width) { return typeof value === 'number' ? '0x' + value.toString(16).toUpperCase().padStart(Math.ceil(width / 4), '0') : String(value); }

function showChecks(found) {
  const sent = read(state.sent), own = checkFields(sent), isDamaged = state.sent.length !== state.bytes.length || flippedCount() > 0;
  const rows = own.map((field) => {
    const now = checkFields(found).find((one) => one.address === field.address);
    const name = word('own', {name: field.slot.check.algorithm.name});
    return [name, codeText(field.leaf.raw, field.slot.bits), now ? codeText(now.leaf.raw, now.slot.bits) : '', found.reason !== ''];
  });
  const mine = own.map((field) => field.slot.check.algorithm.name);
  FACTS.checks.filter((row) => !mine.includes(row.name)).forEach((row) => {
    const before = taught(row, state.sent), after = taught(row, state.bytes);
    rows.push([row.name, codeText(before, row.width), codeText(after, row.width), before !== after]);
  });
  if (!own.length) { rows.unshift([word('none'), '', '', found.reason !== '']); }
  const heads = ['algorithm', 'before', 'after', 'notices'].map((key) => make('th', {scope: 'col', text: word(key)}));
  replace(byId('checks'), make('thead', {}, make('tr', {}, ...heads)), make('tbody', {}, ...rows.map((row) => make('tr', {},
    make('td', {text: row[0]}), make('td', {class: 'end', text: row[1]}), make('td', {class: 'end', text: row[2]}),
    make('td', {text: isDamaged ? word(row[3] ? 'yes' : 'no') : word('nothing')})))));
}

// -- a CRC as long division --

function divisors() {
  const own = codec().table.checks.map((number) => read(state.sent).fields.find((field) => field.slot.number === number));
  const mine = own.filter((field) => field && field.slot.check.algorithm.family === 'crc' && field.slot.bits <= 32).map((field) => {
    const one = field.slot.check.algorithm;
    return {name: one.name, width: one.bits, poly: one.poly, init: one.init || 0, reflect_in: !!one.reflect_in, reflect_out: !!one.reflect_out,
      final_xor: one.final_xor || 0, covered: field.bits.length && Math.min(...field.bits) % 8 === 0 ? Math.min(...field.bits) / 8 : null};
  });
  return [...mine.filter((one) => one.covered !== null), ...FACTS.checks.filter((row) => row.family === 'crc')];
}

function showDivision() {
  const rows = divisors(), select = byId('generator'), kept = select.value;
  replace(select, ...rows.map((row) => make('option', {value: row.name, text: row.name})));
  if (rows.some((row) => row.name === kept)) { select.value = kept; }
  const row = rows.find((one) => one.name === select.value);
  if (!row) { byId('division').textContent = ''; return; }
  byId('division').textContent = divided(row, row.covered === undefined ? state.bytes : state.bytes.slice(0, row.covered));
}

function binary(value, width) { return (value >>> 0).toString(2).padStart(width, '0').slice(-width); }

function divided(row, bytes) {
  const bits = [];
  bytes.forEach((octet) => { const fed = row.reflect_in ? reflected(octet, 8) : octet; for (let i = 7; i >= 0; i -= 1) { bits.push((fed >> i) & 1); } });
  const message = bits.join('');
  for (let i = 0; i < row.width; i += 1) { bits.push(0); }
  for (let i = 0; i < row.width; i += 1) { bits[i] ^= (row.init >>> (row.width - 1 - i)) & 1; }
  const generator = '1' + binary(row.poly, row.width), lines = [], start = bits.join('');
  for (let at = 0; at + row.width < bits.length; at += 1) {
    if (!bits[at]) { continue; }
    lines.push(' '.repeat(at) + bits.slice(at, at + row.width + 1).join(''), ' '.repeat(at) + generator);
    for (let i = 0; i <= row.width; i += 1) { bits[at + i] ^= Number(generator[i]); }
  }
  const rest = bits.slice(-row.width).join('');
  const value = taught(Object.assign({family: 'crc'}, row), Array.from(bytes));
  return [word('division_how', {width: row.width}), '', message, start, '', ...lines, ' '.repeat(bits.length - row.width) + rest, '',
    word('steps', {count: lines.length / 2}) + '; ' + word('remainder', {bits: rest, value: codeText(value, row.width)})].join('\n');
}

// -- damage, many times --

function randomFrom(seed) {
  let x = (seed >>> 0) || 1;
  return (limit) => { x ^= x << 13; x >>>= 0; x ^= x >>> 17; x ^= x << 5; x >>>= 0; return Math.floor(x / 4294967296 * limit); };
}

function damaged(bytes, kind, draw) {
  const made = bytes.slice(), bits = made.length * 8;
  const turn = (bit) => { made[bit >> 3] ^= 0x80 >> bit % 8; };
  if (kind === 'random') { return made.map(() => draw(256)); }
  if (kind === 'swap') {
    const one = draw(made.length), other = draw(made.length);
    [made[one], made[other]] = [made[other], made[one]];
    return made;
  }
  if (kind === 'burst') {
    const size = Math.min(12, bits), at = draw(bits - size + 1);
    turn(at);
    if (size > 1) { turn(at + size - 1); }
    for (let i = 1; i < size - 1; i += 1) { if (draw(2)) { turn(at + i); } }
    return made;
  }
  const places = new Set();
  while (places.size < Math.min(Number(kind), bits)) { places.add(draw(bits)); }
  places.forEach(turn);
  return made;
}

function countMissed(kind, times, seed) {
  const draw = randomFrom(seed), sums = FACTS.checks.map((row) => taught(row, state.sent)), missed = FACTS.checks.map(() => 0);
  let own = 0, tried = 0;
  for (let i = 0; i < times; i += 1) {
    const bytes = damaged(state.sent, kind, draw);
    if (bytes.every((one, at) => one === state.sent[at])) { continue; }
    tried += 1;
    try { codec().decode(Uint8Array.from(bytes), options()); own += 1; } catch (error) { if (!error.reason) { throw error; } }
    FACTS.checks.forEach((row, at) => { missed[at] += taught(row, bytes) === sums[at]; });
  }
  return {own, missed, tried};
}

function showDamage() {
  const times = Math.max(1, Math.min(100000, Math.floor(Number(byId('times').value)) || 1));
  const found = countMissed(byId('kind').value, times, Math.floor(Number(byId('seed').value)) || 1);
  const heads = ['algorithm', 'missed', 'of'].map((key) => make('th', {scope: 'col', text: word(key)}));
  const own = checkFields(read(state.sent)).map((field) => field.slot.check.algorithm.name).join(', ');
  const rows = [[own ? word('own', {name: own}) : word('none'), found.own], ...FACTS.checks.map((row, at) => [row.name, found.missed[at]])];
  replace(byId('missed'), make('thead', {}, make('tr', {}, ...heads)), make('tbody', {}, ...rows.map((row) => make('tr', {},
    make('td', {text: row[0]}), make('td', {class: 'end', text: String(row[1])}), make('td', {class: 'end', text: String(found.tried)})))));
}

// -- what it costs --

const chosen = {steps: {}, radio: {}};

function decimalPlaces(text) { const at = text.indexOf('.'); return at < 0 ? 0 : text.length - at - 1; }

// Codes that a range takes at a step, exact for decimals; null where the range is no whole number of steps.
function codesOf(edit, step) {
  if (!/^\d+(\.\d+)?$/.test(step) || Number(step) === 0) { return null; }
  const scale = 10 ** Math.max(decimalPlaces(step), decimalPlaces(edit.minimum), decimalPlaces(edit.maximum));
  const span = Math.round(Number(edit.maximum) * scale) - Math.round(Number(edit.minimum) * scale), size = Math.round(Number(step) * scale);
  return span % size ? null : span / size + 1 + edit.reserved;
}

function bitsOf(codes) { return codes <= 1 ? 1 : Math.ceil(Math.log2(codes)); }

function airtimeMs(radio, bytes) {
  if (bytes > 255) { return null; }
  const blocks = Math.max(0, Math.ceil((8 * bytes + radio.crc_bits - radio.first_bits) / radio.block_bits));
  return (radio.preamble_symbols + 8 + blocks * radio.block_symbols) * radio.symbol_ms;
}

function radioNow() {
  const radio = FACTS.radio;
  return radio.rows.find((row) => row.spreading_factor === Number(chosen.radio.spreading_factor) &&
    row.bandwidth_khz === chosen.radio.bandwidth_khz && row.coding_rate === chosen.radio.coding_rate);
}

function costOf(bits, radio) {
  const made = {bits, bytes: Math.ceil(bits / 8), airtime: null, frames: null, pass: null, paced: null, pacedBytes: null};
  if (!radio) { return made; }
  made.airtime = airtimeMs(radio, made.bytes + FACTS.radio.driver_bytes);
  const listen = Number(chosen.pass_s), {gap_s: gap, share_of_hour: share} = FACTS.radio, every = facts().cadence_s;
  if (made.airtime !== null && listen > 0) {
    made.frames = framesIn(listen, made.airtime, gap, 0, share);
    made.pass = made.frames * made.bytes;
    made.paced = every ? framesIn(listen, made.airtime, gap, every, share) : null;
    made.pacedBytes = made.paced === null ? null : made.paced * made.bytes;
  }
  return made;
}

// Frames in so many seconds of listening that begin no sooner after each other than the gap or everyS allows and keep to the share of the
// hour (null: none said): a pass shorter than an hour may use the whole hour's.
function framesIn(listenS, airMs, gapS, everyS, share) {
  const byTime = listenS * 1000 / Math.max(everyS * 1000, airMs + gapS * 1000);
  const byShare = share === null ? byTime : share * Math.max(listenS, 3600) * 1000 / airMs;
  return Math.floor(Math.min(byTime, byShare) + 1e-9);
}

// Bits of the frame with the steps as they are chosen; spare bits take up what changes.
function bitsThen() {
  const more = facts().edits.reduce((sum, edit) => {
    const codes = codesOf(edit, chosen.steps[edit.address] === undefined ? edit.step : chosen.steps[edit.address]);
    return sum + (codes === null ? 0 : (bitsOf(codes) - edit.bits) * edit.times);
  }, 0);
  return facts().bits + (more ? more - facts().spare_bits : 0);
}

function showCosts() {
  const rows = [['frame_bits', 'bits'], ['frame_bytes', 'bytes'], ['airtime', 'airtime'], ['frames_pass', 'frames'], ['bytes_pass', 'pass'],
    ...(FACTS.radio && facts().cadence_s ? [['frames_paced', 'paced'], ['bytes_paced', 'pacedBytes']] : [])];
  const now = costOf(facts().bits, FACTS.radio && FACTS.radio.rows[FACTS.radio.now]), then = costOf(bitsThen(), FACTS.radio && radioNow());
  const shown = (value, key, made) => (value === null ? (key === 'airtime' && made.bytes > 255 ? word('too_long') : '') :
    key === 'airtime' ? (Math.round(value * 1000) / 1000) + ' ms' : String(value));
  const heads = ['', word('now'), word('then')].map((text) => make('th', {scope: 'col', text}));
  replace(byId('costs'), make('thead', {}, make('tr', {}, ...heads)), make('tbody', {}, ...rows.map(([key, name]) => make('tr', {},
    make('td', {text: word(key, {every: String(facts().cadence_s)})}), make('td', {class: 'end', text: shown(now[name], name, now)}),
    make('td', {class: 'end', text: FACTS.radio && !radioNow() && key !== 'frame_bits' && key !== 'frame_bytes' ? word('impossible') : shown(then[name], name, then)})))));
}

function showEdits() {
  const heads = ['field', 'range', 'step', 'bits_now', 'bits_then'].map((key) => make('th', {scope: 'col', text: word(key)}));
  const rows = facts().edits.map((edit) => {
    const input = make('input', {class: 'short', inputmode: 'decimal', 'aria-label': edit.address + ': ' + word('step')});
    input.value = chosen.steps[edit.address] === undefined ? edit.step : chosen.steps[edit.address];
    const then = make('td', {class: 'end'});
    const update = () => {
      const codes = codesOf(edit, chosen.steps[edit.address] === undefined ? edit.step : chosen.steps[edit.address]);
      then.textContent = codes === null ? word('not_whole') : String(bitsOf(codes));
    };
    input.oninput = () => { chosen.steps[edit.address] = input.value.trim().replace(',', '.'); update(); showCosts(); };
    update();
    return make('tr', {}, make('td', {text: edit.address}), make('td', {text: edit.minimum + ' … ' + edit.maximum + ' ' + edit.unit}),
      make('td', {}, input), make('td', {class: 'end', text: String(edit.bits)}), then);
  });
  replace(byId('edits'), make('thead', {}, make('tr', {}, ...heads)), make('tbody', {}, ...rows));
  byId('edits').hidden = !rows.length;
}

function showRadio() {
  const box = byId('radio');
  if (!FACTS.radio) { replace(box, make('p', {text: word('no_radio')})); return; }
  const choices = ['spreading_factor', 'bandwidth_khz', 'coding_rate'].map((key) => {
    const values = [...new Set(FACTS.radio.rows.map((row) => row[key]))];
    const select = make('select', {id: 'radio-' + key}, ...values.map((value) => make('option', {value: String(value), text: String(value)})));
    select.value = String(chosen.radio[key]);
    select.onchange = () => { chosen.radio[key] = select.value; showCosts(); };
    return make('label', {}, word(key === 'bandwidth_khz' ? 'bandwidth' : key) + ' ', select);
  });
  const listen = make('input', {class: 'short', inputmode: 'decimal', id: 'pass'});
  listen.value = chosen.pass_s;
  listen.oninput = () => { chosen.pass_s = listen.value.replace(',', '.'); showCosts(); };
  replace(box, ...choices, make('label', {}, word('pass_s') + ' ', listen), make('span', {class: 'small', text: word('alone')}));
}

// The schema's text with what was changed, and nothing else.
function editedSchema() {
  const changes = [];
  let moved = false;
  Object.keys(FACTS.frames).forEach((name) => FACTS.frames[name].edits.forEach((edit) => {
    const step = name === state.frame ? chosen.steps[edit.address] : undefined;
    if (step !== undefined && step !== edit.step && codesOf(edit, step) !== null) { changes.push([edit.start, edit.end, step]); moved = true; }
  }));
  if (moved && facts().spare) { changes.push([...facts().spare, 'up_to: byte']); }
  if (FACTS.radio) {
    Object.keys(FACTS.radio.places).forEach((key) => {
      const now = String(FACTS.radio.rows[FACTS.radio.now][key]), then = String(chosen.radio[key]);
      if (now !== then) { changes.push([...FACTS.radio.places[key], then]); }
    });
  }
  changes.sort((a, b) => b[0] - a[0]);
  const letters = Array.from(FACTS.schema);
  changes.forEach(([start, end, text]) => letters.splice(start, end - start, text));
  return letters.join('');
}

function save() {
  const link = make('a', {href: URL.createObjectURL(new Blob([editedSchema()], {type: 'text/yaml'})), download: FACTS.mission + '.yaml'});
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
}

// -- a lost byte --

function cobs(bytes) {
  const made = [0];
  let code = 0;
  bytes.forEach((octet) => {
    if (octet) { made.push(octet); }
    if (!octet || made.length - code === 255) { made[code] = made.length - code; code = made.length; made.push(0); }
  });
  made[code] = made.length - code;
  return made;
}

function uncobs(bytes) {
  const made = [];
  for (let at = 0; at < bytes.length;) {
    const code = bytes[at];
    if (!code || at + code > bytes.length) { return null; }
    for (let i = 1; i < code; i += 1) { made.push(bytes[at + i]); }
    at += code;
    if (code < 255 && at < bytes.length) { made.push(0); }
  }
  return made;
}

function isGood(bytes) { try { codec().decode(Uint8Array.from(bytes), options()); return true; } catch (error) { return false; } }

const FRAMES_SENT = 6;

// Which of the frames are found: by counting, by searching, between zero bytes.
function streams(lost) {
  const one = state.sent, all = [], size = one.length;
  for (let i = 0; i < FRAMES_SENT; i += 1) { all.push(...one); }
  const arrived = all.filter((octet, at) => at !== lost), slots = [], search = [], between = [];
  for (let i = 0; i < FRAMES_SENT; i += 1) { slots.push(isGood(arrived.slice(i * size, i * size + size))); search.push(false); }
  for (let at = 0; at + size <= arrived.length;) {
    if (isGood(arrived.slice(at, at + size))) { search[Math.floor((at < lost ? at : at + 1) / size)] = true; at += size; } else { at += 1; }
  }
  const framed = cobs(one), stream = [], number = Math.floor(lost / Math.max(size, 1)), inside = Math.min(lost % Math.max(size, 1), framed.length - 1);
  for (let i = 0; i < FRAMES_SENT; i += 1) {
    const sent = i === number ? framed.filter((octet, at) => at !== inside) : framed;
    const back = uncobs(sent);
    between.push(back !== null && isGood(back));
    stream.push(...sent, 0);
  }
  return {slots, search, between};
}

function showStreams() {
  const lost = Number(byId('lost').value), found = streams(lost), size = Math.max(state.sent.length, 1);
  byId('lost-at').textContent = word('byte_bit', {byte: lost % size, bit: ''}).replace(/[, ]+Bit *$|[, ]+bit *$/, '') + ', ' + word('frame') + ' ' + (Math.floor(lost / size) + 1);
  const rows = [['stream_slots', found.slots], ['stream_search', found.search], ['stream_cobs', found.between]];
  replace(byId('streams'), ...rows.map(([key, seen]) => make('div', {}, make('p', {text: word(key)}), make('div', {class: 'frames'},
    ...seen.map((is, at) => make('span', {class: is ? '' : 'lost', text: word('frame') + ' ' + (at + 1) + (is ? '' : ': ' + word('is_lost'))}))))));
}

// -- everything together --

function showAll() {
  document.documentElement.lang = state.language;
  document.querySelectorAll('[data-word]').forEach((one) => { one.textContent = word(one.dataset.word); });
  byId('mission').textContent = FACTS.mission;
  byId('description').textContent = facts().description || FACTS.description;
  byId('made').textContent = word('made', {fingerprint: FACTS.fingerprint});
  const kinds = ['1', '2', '3', 'burst', 'swap', 'random'], kept = byId('kind').value || '1';
  replace(byId('kind'), ...kinds.map((kind) => make('option', {value: kind, text: word('kind_' + kind)})));
  byId('kind').value = kept;
  byId('hex').value = hex(state.bytes);
  show(read(state.bytes));
  showValues();
  showRadio();
  showEdits();
  showCosts();
  replace(byId('missed'));
}

function choose(frame) {
  state.frame = frame;
  state.record = plain(facts().example);
  state.variants = {};
  Object.keys(facts().fields).forEach((address) => {
    const fact = facts().fields[address];
    if (fact.outside) { state.variants[address] = Object.keys(fact.variants)[0]; }
  });
  state.focus = 0;
  chosen.steps = {};
  setBytes(codec().encode(state.record), false);
  byId('lost').value = String(Math.floor(state.bytes.length * 2.5));
  showAll();
}

function start() {
  replace(byId('frame'), ...Object.keys(FACTS.frames).map((name) => make('option', {value: name, text: name})));
  replace(byId('language'), ...Object.keys(FACTS.languages).map((key) => make('option', {value: key, text: FACTS.languages[key]})));
  byId('language').value = state.language;
  byId('frame').onchange = () => choose(byId('frame').value);
  byId('language').onchange = () => { state.language = byId('language').value; showAll(); };
  byId('strip').addEventListener('click', (event) => { const bit = event.target.dataset.bit; if (bit !== undefined) { flip(Number(bit)); } });
  byId('strip').addEventListener('keydown', (event) => {
    const step = {ArrowRight: 1, ArrowLeft: -1, ArrowDown: 8, ArrowUp: -8, Home: -1e9, End: 1e9}[event.key];
    if (step !== undefined) { event.preventDefault(); focusBit(state.focus + step); }
  });
  byId('mend').onclick = () => { setBytes(state.sent, true); byId('hex').value = hex(state.bytes); const found = read(state.bytes); show(found); showValues(found); };
  byId('hex').oninput = () => {
    const text = byId('hex').value.replace(/0x|[\s,:;-]/gi, '');
    if (!/^([0-9a-f]{2})*$/i.test(text)) { byId('status').textContent = word('bad', {reason: word('not_hex')}); return; }
    setBytes((text.match(/../g) || []).map((pair) => parseInt(pair, 16)), false);
    const found = read(state.bytes);
    show(found);
    showValues(found);
  };
  byId('generator').onchange = showDivision;
  byId('damage').onclick = showDamage;
  byId('save').onclick = save;
  byId('lost').oninput = showStreams;
  if (FACTS.radio) {
    const now = FACTS.radio.rows[FACTS.radio.now];
    chosen.radio = {spreading_factor: String(now.spreading_factor), bandwidth_khz: now.bandwidth_khz, coding_rate: now.coding_rate};
  }
  chosen.pass_s = String(FACTS.pass_s);
  choose(state.frame);
  self.packetkitPage = {state, read, crcOf, taught, divided, airtimeMs, framesIn, editedSchema, streams, countMissed, chosen, cobs, uncobs};
}

start();
}());
