"""From a record to a frame."""

from __future__ import annotations

ENCODE = r"""
// -- from a record to a frame --

var BROKEN = {}; // inside a group whose own fault is already noted

function isMapping(value) { return Object.prototype.toString.call(value) === '[object Object]'; }

function joined(address, key) { return address && key ? address + '.' + key : address || key; }

// Encoding one record: every slot gets its code and its place; faults are gathered, in wire order.
function Writing(frame, sizes) {
  this.frame = frame;
  this.sizes = sizes || {}; // octets of each number that goes on, by its place among the leaves
  this.faults = [];
  this.leaves = [];
  this.states = [];
  this.words = [];
  this.choices = [];
  this.products = [];
  this.later = []; // values that count where other fields say so
  this.absent = ['']; // in each measured part, and the frame: the first field that no bytes remained for
}

Writing.prototype.fault = function (path, rule, message, order) {
  if (order === undefined) { order = this.now === undefined ? this.leaves.length : this.now; }
  this.faults.push({order: order, at: this.faults.length, path: path, rule: rule, message: message});
};

Writing.prototype.take = function (record) {
  var self = this, scope = scopeIn(null), end, i;
  if (!isMapping(record)) {
    this.fault('', 'wrong-type', 'a record is a mapping, not ' + shown(record));
    return 0;
  }
  if (this.frame.supplied) { this.supply(record, scope); }
  end = this.container(this.frame.nodes, record, false, 0, [], scope, '');
  this.later.forEach(function (one) { self.takeLate(one[0], one[1]); });
  for (i = 0; i < this.leaves.length; i += 1) { this.settle(this.leaves[i], this.states[i]); }
  this.choices.forEach(function (one) { self.holdChoice(one); });
  this.products.forEach(function (one) { self.holdProduct(one); });
  return end;
};

Writing.prototype.container = function (nodes, given, bare, at, indices, scope, address) {
  var into, i;
  if (given !== BROKEN && !bare && !isMapping(given)) {
    this.fault(address, 'wrong-type', shown(given) + ' is not a mapping of its fields');
    given = BROKEN;
  }
  into = {given: given, address: address, reported: {}};
  for (i = 0; i < nodes.length; i += 1) { at = this.node(nodes[i], into, at, indices, scope); }
  if (!bare && given !== BROKEN) { this.unknown(given, nodes === this.frame.nodes ? this.outerShape() : shapeOf(nodes), address); }
  return at;
};

Writing.prototype.node = function (node, into, at, indices, scope) {
  var i, slot, bits, value;
  scope.starts[node.number] = at;
  if (node.part === 'run') {
    if (node.word) { this.words.push({first: at, last: at + node.size, bits: node.word}); }
    for (i = 0; i < node.slots.length; i += 1) {
      slot = node.slots[i];
      this.leaf(leafAt(node, slot, slot.bits, at, indices, scope, this.leaves.length), this.find(into, slot.path));
    }
    return at + node.size;
  }
  if (node.part === 'fill') {
    bits = fillBits(node, at, scope);
    value = this.find(into, node.slot.path);
    this.leaf(leafAt(node, node.slot, bits, at, indices, scope, this.leaves.length), value);
    return at + bits;
  }
  if (node.part === 'continued') { return this.continued(node, into, at, indices, scope); }
  if (node.part === 'measured') { return this.measured(node, into, at, indices, scope); }
  value = this.find(into, node.path);
  if (node.part === 'repeat') { return this.repeat(node, value, at, indices, scope); }
  return node.part === 'option' ? this.option(node, value, at, indices, scope) : this.choice(node, value, at, indices, scope);
};

// What a container holds at a path; groups on the way that are absent count as empty.
Writing.prototype.find = function (into, path) {
  var here = into.given, i, group;
  for (i = 0; i < path.length; i += 1) {
    if (here === BROKEN || here === undefined) { return here; }
    if (!isMapping(here)) {
      group = path.slice(0, i).join('.');
      if (!own(into.reported, group)) {
        this.fault(joined(into.address, group), 'wrong-type', shown(here) + ' is not a mapping of its fields');
      }
      into.reported[group] = true;
      return BROKEN;
    }
    here = own(here, path[i]);
  }
  return here;
};

// The keys that a container may have: a mapping of keys for a group, true for anything else.
function shapeOf(nodes) {
  var made = {};
  function add(path) {
    var here = made, i;
    for (i = 0; i < path.length - 1; i += 1) { here = own(here, path[i]) || (here[path[i]] = {}); }
    if (path.length) { here[path[path.length - 1]] = true; }
  }
  if (nodes.shape) { return nodes.shape; }
  nodes.forEach(function look(node) {
    if (node.part === 'run') {
      node.slots.forEach(function (slot) { add(slot.path); });
    } else if (node.part === 'measured') {
      node.nodes.forEach(look);
    } else {
      add((node.slot || node).path);
    }
  });
  nodes.shape = made;
  return made;
}

Writing.prototype.outerShape = function () {
  var shape = shapeOf(this.frame.nodes);
  (this.frame.supplied || []).forEach(function (slot) { shape[slot.path[0]] = true; });
  return shape;
};

Writing.prototype.unknown = function (given, shape, address) {
  var self = this;
  Object.keys(given).forEach(function (key) {
    var inner = own(shape, key);
    if (given[key] === undefined) { return; }
    if (!inner) {
      self.fault(joined(address, key), 'unknown-key', 'is no field of ' + (address || self.frame.name) + '. Leave it out');
    } else if (inner !== true && isMapping(given[key])) {
      self.unknown(given[key], inner, joined(address, key));
    }
  });
};

Writing.prototype.repeat = function (node, value, at, indices, scope) {
  var address = located(node.address, indices), isToEnd, before, within, outside, i;
  if (node.joined && value !== BROKEN) {
    value = this.joined(node, value, address);
  } else if (value === undefined) {
    this.fault(address, 'missing-key', 'is not given. Give a list, empty if there is nothing to send');
  } else if (value !== BROKEN && !Array.isArray(value)) {
    this.fault(address, 'wrong-type', shown(value) + ' is not a list');
    value = BROKEN;
  }
  if (value === undefined || value === BROKEN) {
    if (node.by !== undefined) { this.states[leafOf(scope, node.by).order].broken = true; }
    return at;
  }
  if (!this.length(node, value.length, address, scope)) { return at; }
  if (node.factors) { this.products.push({node: node, count: value.length, address: address, order: this.leaves.length, scope: scope}); }
  isToEnd = node.count === undefined && node.by === undefined && !node.factors && !node.ends;
  if (isToEnd && value.length && this.follows) { this.follows(address); }
  before = this.leaves.length;
  outside = this.goesOn; // whether another element follows the one of a list to the end that is taken
  for (i = 0; i < value.length; i += 1) {
    this.goesOn = node.several ? i < value.length - 1 : outside;
    within = scopeIn(scope);
    at = this.container(node.nodes, value[i], node.bare, at, indices.concat(i), within, address + '[' + i + ']');
    if (node.ends) { this.askEnd(node, within, address + '[' + i + ']', i === value.length - 1); }
  }
  this.goesOn = outside;
  if (this.frame.summed) { this.keepListed(node, scope, this.leaves.slice(before)); }
  return at;
};

// Whether a list may have so many elements; the field that counts them is told of it.
Writing.prototype.length = function (node, count, address, scope) {
  var most = node.most === undefined ? Infinity : node.most, counter, said, state;
  if (node.count !== undefined) {
    if (count !== node.count) { this.fault(address, 'wrong-length', 'has ' + count + ' elements, not ' + node.count); }
    return count === node.count;
  }
  if (node.ends && !count) {
    this.fault(address, 'wrong-length', 'is empty, but its last element says that it is the last. Give one');
    return false;
  }
  if (node.by !== undefined) {
    counter = leafOf(scope, node.by);
    said = ratio(numberLimits(counter.slot, counter.bits)[1], 1);
    most = Math.min(most, counter.slot.most === undefined ? Infinity : counter.slot.most, said);
    state = this.states[counter.order];
    if (count <= most) {
      state.demands.push({address: address, order: this.leaves.length, count: count});
    } else {
      state.broken = true;
    }
  }
  if (node.as_fits && this.goesOn && count < most) {
    this.fault(address, 'wrong-length', 'has ' + count + ' elements, and ' + most + ' fit where another one follows');
    return false;
  }
  if (count > most) { this.fault(address, 'wrong-length', 'has ' + count + ' elements, but ' + most + ' at most can be sent'); }
  return count <= most;
};

Writing.prototype.option = function (node, value, at, indices, scope) {
  var address = located(node.address, indices), present = value !== undefined && value !== null, teller, state;
  if (value === BROKEN) { return at; }
  if (node.by === undefined) {
    return this.remains(address, present) ? this.container(node.nodes, value, node.bare, at, indices, scope, address) : at;
  }
  teller = leafOf(scope, node.by);
  if (!teller) {
    if (present) { this.fault(address, 'disagrees', 'is given, but the option that says so is not. Give that too'); }
    return at;
  }
  state = this.states[teller.order];
  if (!present && state.given && !state.broken && holds(teller.raw, node.codes)) {
    // Told that it is there: an absent value is the one that means so, where there is one.
    present = standsForAbsence(node);
    value = null;
  }
  if (!state.broken) {
    state.demands.push({address: address, order: this.leaves.length, codes: node.codes, present: present});
  }
  return present ? this.container(node.nodes, value, node.bare, at, indices, scope, address) : at;
};

function standsForAbsence(node) {
  var first = node.nodes[0], slot = node.bare && first && first.part === 'run' && first.slots[0];
  return Boolean(slot && (missingCode(slot) !== undefined || slot.valid || slot.scales));
}

Writing.prototype.leaf = function (leaf, value) {
  var state = {given: value !== undefined && value !== BROKEN, broken: value === BROKEN, demands: [], wanted: [], raised: false}, raw;
  if ((leaf.slot.valid || leaf.slot.scales) && value !== BROKEN) {
    this.later.push([leaf, value]);
  } else if (value === undefined) {
    this.fillIn(leaf, state);
  } else if (value !== BROKEN) {
    raw = this.raw(leaf, value);
    state.broken = raw === undefined;
    leaf.raw = raw || 0;
  }
  this.leaves.push(leaf);
  this.states.push(state);
  leaf.scope.leaves[leaf.slot.number] = leaf;
};

// The code of a slot whose key is absent.
Writing.prototype.fillIn = function (leaf, state) {
  var slot = leaf.slot, kind = slot.kind;
  if (slot.codes && slot.hidden) {
    leaf.raw = slot.codes[0][0];
  } else if (slot.preset !== undefined) {
    leaf.raw = slot.preset;
  } else if (missingCode(slot) !== undefined) {
    leaf.raw = missingCode(slot);
  } else if (this.isChoosing(leaf)) {
    return; // a variant may say it
  } else if (!/^(count|length|reserved|check)$/.test(kind) && this.frame.asked.indexOf(slot.number) < 0) {
    state.broken = true;
    this.fault(addressOf(leaf), 'missing-key', 'is not given');
    return;
  }
  if (!/^(flag|count|length|check)$/.test(kind) || (slot.codes && slot.hidden)) { state.given = true; } // for good
};

Writing.prototype.isChoosing = function (leaf) { return (this.frame.choosing || []).indexOf(leaf.slot.number) >= 0; };

// The code of a given value, or undefined where a fault was noted.
Writing.prototype.raw = function (leaf, value) {
  var slot = leaf.slot, told, outcome;
  if (isMapping(value) && own(value, 'raw') !== undefined) { return this.givenRaw(leaf, value.raw); }
  told = readAs(leaf);
  outcome = typeof told === 'string' ? uncounted(leaf, value, told) : toRaw(told, value, leaf.bits);
  if (outcome.fault) {
    this.fault(addressOf(leaf), outcome.fault.rule, outcome.fault.message);
    return undefined;
  }
  if (outcome.clamped && slot.raises !== undefined) { this.states[leafOf(leaf.scope, slot.raises).order].raised = true; }
  if (slot.kind === 'reserved' && compare(outcome.raw, 0)) {
    this.fault(addressOf(leaf), 'disagrees', shown(value) + ' in reserved bits, which are sent as zero');
    return undefined;
  }
  return this.agreeing(leaf, outcome.raw);
};

Writing.prototype.givenRaw = function (leaf, raw) {
  var code = typeof raw === 'string' && !leaf.slot.wide && raw.length < 16 ? undefined : wholeGiven(raw);
  if (code === undefined) {
    this.fault(addressOf(leaf), 'wrong-type', 'raw is ' + shown(raw) + ', not a whole number');
    return undefined;
  }
  if (!holds(code, [codeLimits(leaf)])) {
    this.fault(addressOf(leaf), 'raw-range', 'raw is ' + shown(raw) + ', which does not fit its bits');
    return undefined;
  }
  if (isContinued(leaf.slot) && numberSpelled(leaf.slot, code) === null) {
    this.fault(addressOf(leaf), 'raw-range', 'raw is ' + shown(raw) + ', whose octets do not go on up to the last by their first bits');
    return undefined;
  }
  return this.agreeing(leaf, code || 0);
};

Writing.prototype.agreeing = function (leaf, raw) {
  var slot = leaf.slot, number;
  if (slot.codes && slot.hidden && !holds(raw, slot.codes)) {
    this.fault(addressOf(leaf), 'disagrees', decimal(raw) + ' is given, but it is always ' + decimal(slot.codes[0][0]) + '. Leave it out');
    return undefined;
  }
  number = slot.most === undefined ? 0 : slot.coding ? numberSpelled(slot, raw) : raw;
  if (number && compare(number, slot.most) > 0) {
    this.fault(addressOf(leaf), 'out-of-range', decimal(number) + ' is given, but ' + slot.most + ' is the most');
    return undefined;
  }
  return raw;
};

// Bring a slot and what is asked of it together.
Writing.prototype.settle = function (leaf, state) {
  var counted, first;
  if (state.broken || state.settled) { return; }
  state.settled = true;
  if (this.isChoosing(leaf) && !this.isTold(leaf, state)) { return; }
  if (leaf.slot.kind === 'length' && state.demands.length) {
    this.settleSize(leaf, state, state.demands[0]);
    return;
  }
  counted = state.demands.filter(function (one) { return one.count !== undefined; });
  if (counted.length) { this.settleCount(leaf, state, counted); }
  if (!state.given && leaf.slot.kind === 'flag' && counted.length < state.demands.length) {
    first = state.demands[0];
    leaf.raw = holds(1, first.codes) === first.present ? 1 : 0;
  }
  this.hold(leaf, state);
  if (state.raised && leaf.raw === 0) { // a flag that clamping raised may not say that something is there which is not
    leaf.raw = 1;
    this.hold(leaf, state);
  }
};

Writing.prototype.hold = function (leaf, state) {
  var self = this;
  state.demands.forEach(function (one) {
    if (one.count === undefined && holds(leaf.raw, one.codes) !== one.present) {
      self.fault(one.address, 'disagrees', 'is ' + (one.present ? '' : 'not ') + 'given, but ' + addressOf(leaf) + ' is ' +
        decimal(leaf.raw), one.order);
    }
  });
};

Writing.prototype.settleCount = function (leaf, state, counts) {
  var first = counts[0], self = this, said;
  counts.forEach(function (one) {
    if (one.count !== first.count) {
      self.fault(one.address, 'disagrees', 'has ' + one.count + ' elements, but ' + first.address + ' has ' + first.count, one.order);
    }
  });
  said = numberIn(leaf);
  if (state.given && compare(said, first.count)) {
    this.fault(addressOf(leaf), 'disagrees', decimal(said) + ' is given, but ' + first.address + ' has ' + first.count, leaf.order);
  }
  if (!state.given || compare(said, first.count)) { leaf.raw = spelled(leaf.slot, first.count); }
};

Writing.prototype.refuse = function () {
  if (!this.faults.length) { return; }
  throw new EncodeError(this.faults.sort(function (a, b) { return a.order - b.order || a.at - b.at; }).map(function (one) {
    return {path: one.path, rule: one.rule, message: one.message};
  }));
};

// The octets, with every check computed after those that it covers.
Writing.prototype.octets = function (end) {
  var made = cleared(Math.ceil(end / 8)), self = this;
  function write(leaf, raw) { writeCode(made, leaf.start, leaf.places, unsignedCode(raw, leaf.bits)); }
  this.leaves.forEach(function (leaf) {
    if (!leaf.slot.check) { write(leaf, leaf.raw); }
  });
  this.frame.checks.forEach(function (number) {
    self.leaves.forEach(function (leaf) {
      if (leaf.slot.number === number) { write(leaf, self.check(leaf, made)); }
    });
  });
  this.refuse();
  return made;
};

// The code of a check: what the frame makes it, or what is given where nobody can tell, or where that says that there is none.
Writing.prototype.check = function (leaf, octets) {
  var given = this.states[leaf.order].given, known = isKnown(leaf), value;
  if (given && (isNotComputed(leaf) || !known)) { return leaf.raw; }
  if (!known) {
    this.fault(addressOf(leaf), 'missing-key', 'is computed from a field that is not known here. Give that, or {raw: n}', leaf.order);
    return 0;
  }
  value = checkValue(leaf, octets, this.words);
  if (given && compare(leaf.raw, value)) {
    this.fault(addressOf(leaf), 'disagrees', decimal(leaf.raw) + ' is given, but the frame makes it ' + decimal(value), leaf.order);
  }
  return value;
};

function encodeFrame(frame, record) {
  var writing, end, sizes;
  if (frame.derived) { record = lessDerived(frame.derived, record); }
  do { // what is measured holds only lengths that are settled before its own, so this ends
    writing = new Writing(frame, sizes);
    end = writing.take(record);
  } while (writing.isSettled && !writing.isSettled() && (sizes = writing.sizes));
  writing.refuse();
  return writing.octets(end);
}
"""
