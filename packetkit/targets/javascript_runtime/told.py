"""Fields that hang on others: supplied ones, which have no bits, and values that count only where another field says so."""

from __future__ import annotations

FRONT = r"""
// -- what is fed in front of the spans of a check: octets, codes of fields, the frame's size --

// Its bits, one after another, each code as the packing has it.
function frontOf(leaf, frame) {
  return leaf.slot.check.front.reduce(function (bits, one) {
    var made = [], rest = frame.length, half;
    if (one[1]) { rest = one[1] === 'octet' ? one[2] : codeOfTeller(leaf, one[2]); }
    while (made.length < one[0]) {
      half = floorOver(rest, 2);
      made.push(minus(rest, times(half, 2)));
      rest = half;
    }
    return bits.concat(leaf.slot.check.least_first ? made : made.reverse());
  }, []);
}
"""

SUPPLIED = r"""
// -- fields without bits: each is mixed into a check, and known beforehand or recovered from that --

Reading.prototype.supply = function (scope) {
  var known = this.options.known || {}, names = [];
  this.supplied = this.frame.supplied.map(function (slot) {
    var raw = own(known, slot.path[0]), code = raw === undefined ? 0 : wholeGiven(raw);
    names.push(slot.path[0]);
    if (code === undefined || !holds(code, [limitsOf(slot, slot.bits)])) {
      throw new RangeError(slot.path[0] + ' is known as ' + shown(raw) + ', which does not fit ' + slot.bits + ' bits');
    }
    scope.leaves[slot.number] = {slot: slot, bits: slot.bits, indices: [], scope: scope, raw: code, isUnknown: raw === undefined};
    return scope.leaves[slot.number];
  });
  Object.keys(known).forEach(function (name) {
    if (names.indexOf(name) < 0) { throw new RangeError('the frame is supplied with no ' + name); }
  });
};

// Take what a check tells of a field that is mixed into it; where it tells too much, the check fails.
Reading.prototype.recover = function (leaf, octets) {
  var mixed = leaf.slot.check.mixed, other = mixed < 0 ? leafOf(leaf.scope, mixed) : {};
  if (!other.isUnknown || other.isRecovered) { return; }
  other.isRecovered = true;
  other.raw = mixedBits(leaf, checkValue(leaf, octets, this.words), leaf.raw, other.bits);
};

Reading.prototype.addSupplied = function (record, detail, trusted) {
  this.supplied.forEach(function (leaf) {
    var known = !leaf.isUnknown || leaf.isRecovered, shownRaw = known ? shownWhole(leaf.slot, leaf.raw) : null;
    var made = {raw: shownRaw, value: shownRaw};
    if (leaf.isUnknown) { made.reason = known ? 'recovered' : 'not known'; }
    if (!trusted) { made.trusted = false; }
    record[leaf.slot.path[0]] = detail ? made : shownRaw;
    leaf.slot.later.forEach(function (key) { toTheEnd(record, key); });
  });
};

Writing.prototype.supply = function (record, scope) {
  this.frame.supplied.forEach(function (slot) {
    var leaf = {slot: slot, bits: slot.bits, indices: [], scope: scope, order: -1, raw: 0}, value = own(record, slot.path[0]), code;
    scope.leaves[slot.number] = leaf;
    code = isMapping(value) ? own(value, 'raw') : value;
    if (value === undefined) {
      this.fault(addressOf(leaf), 'missing-key', 'is not given: it goes into a check');
    } else if (code === null && slot.fed) {
      leaf.isUnknown = true; // as a frame decoded without it has it; its checks are then given
    } else {
      leaf.raw = this.raw(leaf, value) || 0;
    }
  }, this);
};
"""

VALID = r"""
// -- values that count only where another field says so, or whose scale it chooses: coded once the others are --

// All but the scale of a slot on another scale is that slot's own.
function toldBy(leaf) {
  var slot = leaf.slot, valid = slot.valid, raw, made = null;
  if (valid && !holds(leafOf(leaf.scope, valid[0]).raw, valid[1])) { return 'not valid'; }
  if (!slot.scales) { return slot; }
  raw = leafOf(leaf.scope, slot.scales[0]).raw;
  slot.scales[1].forEach(function (choice) {
    if (!made && holds(raw, [choice])) { made = choice[3] || (choice[3] = Object.create(slot, {scale: {value: choice[2]}})); }
  });
  return made || 'no scale';
}

Writing.prototype.takeLate = function (leaf, value) {
  var state = this.states[leaf.order], raw;
  this.now = leaf.order;
  [leaf.slot.valid, leaf.slot.scales].forEach(function (told) {
    var teller = told && leafOf(leaf.scope, told[0]);
    if (!teller) { return; }
    this.settle(teller, this.states[teller.order]);
    state.broken = state.broken || this.states[teller.order].broken;
  }, this);
  if (value === undefined && !state.broken && typeof readAs(leaf) === 'string') {
    leaf.raw = leaf.slot.preset === undefined ? nothing(leaf.slot) : leaf.slot.preset;
    state.given = true;
  } else if (value === undefined && !state.broken) {
    this.fillIn(leaf, state);
  } else if (!state.broken) {
    raw = this.raw(leaf, value);
    state.broken = raw === undefined;
    leaf.raw = raw || 0;
  }
  this.now = undefined;
};

function nothing(slot) { return missingCode(slot) === undefined ? 0 : missingCode(slot); }

function uncounted(leaf, value, reason) { // {raw} or {fault}
  if (value === null || (value !== value && /^(number|float)$/.test(leaf.slot.kind))) { return {raw: nothing(leaf.slot)}; }
  return {fault: fault('disagrees', shown(value) + ' is given, but what another field says makes it ' + reason)};
}
"""
