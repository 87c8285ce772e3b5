"""From a frame to a record."""

from __future__ import annotations

WALK = r"""
// -- what is known of one frame on its way --

// One container that can be there several times: where its parts start, and the slots met so far.
function scopeIn(outer) { return {outer: outer, starts: {}, leaves: {}}; }

function leafOf(scope, number) { // null where it is not read yet
  while (scope && !scope.leaves[number]) { scope = scope.outer; }
  return scope && scope.leaves[number];
}

function startOf(scope, number) {
  while (scope.starts[number] === undefined) { scope = scope.outer; }
  return scope.starts[number];
}

function located(address, indices) {
  var i;
  for (i = 0; i < indices.length; i += 1) { address = address.replace('[]', '[' + indices[i] + ']'); }
  return address;
}

function addressOf(leaf) { return located(leaf.slot.address || leaf.slot.path.join('.'), leaf.indices); }

function leafAt(run, slot, bits, at, indices, scope, order) {
  return {
    slot: slot, bits: bits, bit: at + slot.at, start: (at - at % 8) / 8, places: pieces(run, slot, bits, at % 8), indices: indices,
    scope: scope, order: order, raw: 0
  };
}

function own(mapping, key) { // a field may be called constructor
  return Object.prototype.hasOwnProperty.call(mapping, key) ? mapping[key] : undefined;
}

// The number that the code of a count or a length spells.
function numberIn(leaf) { return leaf.slot.coding ? numberSpelled(leaf.slot, leaf.raw) : leaf.raw; }

function fillBits(node, at, scope) {
  if (node.since !== undefined) { at -= startOf(scope, node.since); }
  return (node.unit - at % node.unit) % node.unit;
}

// The slot as other fields have it, or the reason why there is no value.
function readAs(leaf) { return leaf.slot.valid || leaf.slot.scales ? toldBy(leaf) : leaf.slot; }

function toTheEnd(container, key) { // of its keys
  var held = own(container, key);
  if (held !== undefined) {
    delete container[key];
    container[key] = held;
  }
}

function put(made, path, value) { // a bare container's only value stands under '', which is no name
  var i;
  for (i = 0; i < path.length - 1; i += 1) { made = own(made, path[i]) || (made[path[i]] = {}); }
  made[path.length ? path[path.length - 1] : ''] = value;
}
"""

DECODE = r"""
// -- from a frame to a record --

// Decoding one frame: {parts, used} in the shape of its table, codes read, nothing judged.
function Reading(frame, octets, options) {
  this.frame = frame;
  this.octets = octets;
  this.options = options;
  this.end = octets.length * 8;
  this.leaves = [];
  this.words = [];
}

Reading.prototype.read = function () {
  var scope = scopeIn(null), made = {parts: [], at: 0};
  if (this.frame.supplied) { this.supply(scope); }
  this.nodes(this.frame.nodes, made, [], scope);
  this.parts = made.parts;
  this.used = Math.ceil(made.at / 8);
};

Reading.prototype.nodes = function (nodes, made, indices, scope) {
  var i, node, bits;
  for (i = 0; i < nodes.length; i += 1) {
    node = nodes[i];
    scope.starts[node.number] = made.at;
    if (node.part === 'run') {
      this.run(node, made, indices, scope);
    } else if (node.part === 'fill') {
      bits = fillBits(node, made.at, scope);
      made.parts.push({leaf: this.leaf(node, node.slot, bits, made.at, indices, scope)});
      made.at += bits;
    } else if (node.part === 'continued') {
      this.continued(node, made, indices, scope);
    } else if (node.part === 'repeat') {
      this.repeat(node, made, indices, scope);
    } else if (node.part === 'option') {
      this.option(node, made, indices, scope);
    } else if (node.part === 'measured') {
      this.measured(node, made, indices, scope);
    } else {
      this.choice(node, made, indices, scope);
    }
  }
};

// Where the innermost part ends: the frame, as long as no length measures another.
Reading.prototype.stop = function () { return this.end; };

Reading.prototype.overrun = function (path, bit, words) { return new DecodeError('truncated', path + words, path, bit); };

Reading.prototype.run = function (node, made, indices, scope) {
  var i, slot, leaf;
  if (node.word) { this.words.push({first: made.at, last: made.at + node.size, bits: node.word}); }
  for (i = 0; i < node.slots.length; i += 1) {
    slot = node.slots[i];
    leaf = this.leaf(node, slot, slot.bits, made.at, indices, scope);
    made.parts.push({leaf: leaf});
    this.heed(leaf);
  }
  made.at += node.size;
};

// Holds a count against its maximum; a length tells the part that it measures.
Reading.prototype.heed = function (leaf) {
  var slot = leaf.slot;
  if (slot.most !== undefined && compare(numberIn(leaf), slot.most) > 0) {
    throw failedAt(leaf, 'bad count', 'is ' + decimal(numberIn(leaf)) + ', more than ' + slot.most);
  }
  if (slot.kind === 'length' && !slot.codes) { this.measure(leaf); }
};

Reading.prototype.leaf = function (run, slot, bits, at, indices, scope) {
  var leaf = leafAt(run, slot, bits, at, indices, scope, this.leaves.length), last = slot.at + bits;
  (slot.split || []).forEach(function (part) { last = Math.max(last, part[0] + part[1]); });
  if (run.word) { last = Math.ceil(last / run.word) * run.word; } // a code is there when its words are
  if (at + last > this.stop()) {
    throw this.overrun(addressOf(leaf), leaf.bit, ' is not whole in ' + this.octets.length + ' bytes');
  }
  leaf.raw = signedCode(slot, readCode(this.octets, leaf.start, leaf.places, bits), bits);
  this.leaves.push(leaf);
  scope.leaves[slot.number] = leaf;
  return leaf;
};

Reading.prototype.repeat = function (node, made, indices, scope) {
  var path = located(node.address, indices), count = node.count, elements = [], isOpen = node.several || node.ends, inner, within;
  if (node.by !== undefined) { count = numberIn(leafOf(scope, node.by)); }
  if (count === undefined && !isOpen) {
    count = node.factors ? productOf(node, scope) : Math.floor(Math.max(0, this.stop() - bitsBehind(node, scope) - made.at) / node.least);
    if (node.as_fits) { count = Math.min(count, node.most); }
    if (isNegative(count) || (node.most !== undefined && compare(count, node.most) > 0)) {
      throw new DecodeError('bad count', path + ' has ' + decimal(count) + ' elements, and ' + node.most + ' is the most', path, made.at);
    }
  }
  if (!isOpen && compare(plus(made.at, times(count, node.least)), this.stop()) > 0) {
    throw this.overrun(path, made.at, ' does not end in ' + this.octets.length + ' bytes: ' + decimal(count) + ' elements');
  }
  while (isOpen ? this.goesOn(node, made.at, elements.length, within || scope) : elements.length < count) {
    if (isOpen && elements.length === node.most) {
      throw new DecodeError('bad count', path + ' goes on after ' + node.most + ' elements', path, made.at);
    }
    inner = {parts: [], at: made.at};
    within = scopeIn(scope);
    this.nodes(node.nodes, inner, indices.concat(elements.length), within);
    made.at = inner.at;
    elements.push(inner.parts);
  }
  made.parts.push({node: node, elements: elements});
  if (this.frame.summed) {
    this.keepListed(node, scope, elements.map(function (one) { return one[0].leaf; }));
  }
};

// Whether an element follows so many, the last in its scope: none has said that it is the last, or there is room for the smallest.
Reading.prototype.goesOn = function (node, at, count, within) {
  if (node.ends) { return !count || !this.isEnded(node, within); }
  return this.stop() - bitsBehind(node, within) - at >= node.least;
};

Reading.prototype.option = function (node, made, indices, scope) {
  var inner = null, teller = node.by === undefined ? null : leafOf(scope, node.by); // null, too, where the option that tells is not there
  if (node.by === undefined ? this.stop() - bitsBehind(node, scope) > made.at : teller && holds(teller.raw, node.codes)) {
    inner = {parts: [], at: made.at};
    this.nodes(node.nodes, inner, indices, scope);
    made.at = inner.at;
  }
  made.parts.push({node: node, body: inner && inner.parts});
};

// The bits behind what runs to an end; of what stands in an absent option there is none.
function bitsBehind(node, scope) {
  function isSo(told) { return leafOf(scope, told[0]) && holds(leafOf(scope, told[0]).raw, told[1]); }
  return (node.behind || []).reduce(function (bits, one) { return one[1].every(isSo) ? bits + one[0] : bits; }, node.trailer || 0);
}

function failedAt(leaf, reason, words) {
  return new DecodeError(reason, addressOf(leaf) + ' ' + words, addressOf(leaf), leaf.bit);
}

// Throws what is wrong with the frame, the gravest first; options: {part, detail, salvage}.
Reading.prototype.judge = function (options) {
  var failed, i, leaf;
  for (i = 0; i < this.leaves.length; i += 1) {
    leaf = this.leaves[i];
    if (leaf.slot.codes && !holds(leaf.raw, leaf.slot.codes)) {
      throw failedAt(leaf, 'wrong constant', 'is ' + decimal(leaf.raw) + ': some other frame');
    }
  }
  if (!options.part && this.octets.length !== this.used) {
    throw new DecodeError('trailing bytes', this.octets.length - this.used + ' bytes are left over after the frame', '', this.used * 8);
  }
  failed = this.failedCheck();
  if (failed && !options.salvage) {
    throw failedAt(failed, 'check failed', 'does not match the frame');
  }
  for (i = 0; i < this.leaves.length && !failed; i += 1) {
    leaf = this.leaves[i];
    if (leaf.slot.strict && leaf.slot.kind === 'reserved' && compare(leaf.raw, 0)) {
      throw failedAt(leaf, 'reserved bits', 'is not zero, in a strict frame');
    }
  }
  return !failed;
};

// One that is fed with what a check behind it recovers waits for that one.
Reading.prototype.failedCheck = function () {
  var octets = this.octets, waiting, asked, i;
  if (octets.length !== this.used) { octets = [].slice.call(octets, 0, this.used); }
  waiting = this.leaves.filter(function (leaf) { return leaf.slot.check && !isNotComputed(leaf); });
  do { // until nothing more becomes known: of the rest nobody can tell
    asked = waiting;
    waiting = [];
    for (i = 0; i < asked.length; i += 1) {
      if (!isKnown(asked[i])) {
        waiting.push(asked[i]);
      } else {
        if (this.supplied) { this.recover(asked[i], octets); }
        if (compare(checkValue(asked[i], octets, this.words), asked[i].raw)) { return asked[i]; }
      }
    }
  } while (waiting.length && waiting.length < asked.length);
  return null;
};

function plainOf(parts, bare) {
  var made = {}, i, part;
  function inner(one) { return plainOf(one, (part.branch || part.node).bare); }
  for (i = 0; i < parts.length; i += 1) {
    part = parts[i];
    if (part.leaf) {
      if (!part.leaf.slot.hidden) { put(made, part.leaf.slot.path, leafMeaning(part.leaf).value); }
    } else if (part.elements) {
      put(made, part.node.path, part.node.joined ? joinedValue(part.node.joined, codesIn(part)).value : part.elements.map(inner));
    } else {
      put(made, part.node.path, part.body && named(part, inner(part.body)));
    }
  }
  return bare ? made[''] : made;
}

function named(part, inner) { // a variant stands under its name
  var made = {};
  if (!part.branch) { return inner; }
  made[part.branch.name] = inner;
  return made;
}

function codesIn(part) { return part.elements.map(function (one) { return one[0].leaf.raw; }); }

function detailOf(parts, bare, trusted) {
  var made = {}, i, part;
  function inner(one) { return detailOf(one, (part.branch || part.node).bare, trusted); }
  for (i = 0; i < parts.length; i += 1) {
    part = parts[i];
    if (part.leaf) {
      if (part.leaf.bits) { put(made, part.leaf.slot.path, leafDetail(part.leaf, trusted)); }
    } else if (part.elements) {
      put(made, part.node.path, part.node.joined ? joinedDetail(part.node.joined, codesIn(part), trusted) : part.elements.map(inner));
    } else {
      put(made, part.node.path, part.body && named(part, inner(part.body)));
    }
  }
  return bare ? made[''] : made;
}

function leafMeaning(leaf) {
  var slot = readAs(leaf), special = specialOf(leaf.slot, leaf.raw);
  if (slot === 'no scale' && special && special[2] === 'missing') { return meaningOf(leaf.slot, leaf.raw); }
  return typeof slot === 'string' ? {value: null, reason: slot} : meaningOf(slot, leaf.raw);
}

function leafDetail(leaf, trusted) {
  var found = leafMeaning(leaf), made = {raw: shownWhole(leaf.slot, leaf.raw), value: found.value};
  if (leaf.slot.unit) { made.unit = leaf.slot.unit; }
  if (found.reason) { made.reason = found.reason; }
  if (found.note) { made.note = found.note; }
  if (limitBeyond(leaf.slot.limits, found.value)) { made.limit = limitBeyond(leaf.slot.limits, found.value); }
  if (!trusted) { made.trusted = false; }
  return made;
}

function decodeFrame(frame, octets, options) {
  var reading, trusted, detail, record;
  options = options || {};
  reading = new Reading(frame, octets, options);
  reading.read();
  trusted = reading.judge(options);
  detail = Boolean(options.detail || options.salvage);
  record = detail ? detailOf(reading.parts, false, trusted) : plainOf(reading.parts, false);
  if (frame.supplied) { reading.addSupplied(record, detail, trusted); }
  if (frame.derived) { derive(frame.derived, [record], detail, trusted); }
  return {record: record, used: reading.used};
}
"""
