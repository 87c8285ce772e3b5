"""What codes mean and what values are sent as."""

from __future__ import annotations

VALUES = r"""
// -- from code to value --

function DecodeError(reason, message, path, bit) {
  this.name = 'DecodeError';
  this.reason = reason;
  this.message = message;
  this.path = path || '';
  this.bit = bit;
}
DecodeError.prototype = Object.create(Error.prototype);

function EncodeError(faults) {
  this.name = 'EncodeError';
  this.faults = faults;
  this.message = faults.map(function (one) { return (one.path ? one.path + ': ' : '') + one.message; }).join('\n');
}
EncodeError.prototype = Object.create(Error.prototype);

// A whole number as a field shows it: a decimal string where the field can pass 2^53 - 1, or the number does.
function shownWhole(slot, n) { return slot.wide || typeof n !== 'number' ? decimal(n) : n; }

function linear(slot, raw) { // (raw * numerator + base) / denominator, rounded once
  var scale = slot.scale;
  if (slot.curve) { return curveValue(slot, raw); }
  if (!scale) { return shownWhole(slot, raw); }
  raw = plus(times(raw, scale[0]), scale[1]);
  return compare(scale[2], 1) ? ratio(raw, scale[2]) : shownWhole(slot, raw);
}

function specialOf(slot, raw, isBound) {
  var specials = slot.specials || [], i;
  for (i = 0; i < specials.length; i += 1) {
    if (holds(raw, [specials[i]]) && !(isBound && specials[i][2] === 'missing')) { return specials[i]; }
  }
  return null;
}

function missingCode(slot) {
  var specials = slot.specials || [], i;
  if (slot.bundle) { return slot.bundle.nothing; }
  for (i = 0; i < specials.length; i += 1) {
    if (specials[i][2] === 'missing') { return specials[i][0]; }
  }
  return undefined;
}

// Which of the ground's limits a value is beyond, the hard one first: `hard maximum`; empty where it is within all, or no number.
function limitBeyond(limits, value) {
  var n = typeof value === 'string' && /^-?[0-9]+$/.test(value) ? whole(value) : value, i;
  if (!limits || (typeof n !== 'number' && !(n && n.limbs))) { return ''; }
  for (i = 0; i < limits.length; i += 1) {
    if (limits[i].maximum !== undefined && compare(n, limits[i].maximum) > 0) { return limits[i].name + ' maximum'; }
    if (limits[i].minimum !== undefined && compare(n, limits[i].minimum) < 0) { return limits[i].name + ' minimum'; }
  }
  return '';
}

// {value, reason, note}: what a raw code means.
function meaningOf(slot, raw) {
  var special, note;
  if (slot.kind === 'flag') { return {value: raw === 1}; }
  if (slot.digits) { return fromDigits(slot.digits, raw); }
  if (slot.bundle) { return bundleMeaning(slot.bundle, raw); }
  if (!/^(number|float|states|time)$/.test(slot.kind)) {
    note = slot.kind === 'reserved' && compare(raw, 0) ? 'not zero' : '';
    if (slot.check && isNotComputed({slot: slot, raw: raw})) { note = 'not computed'; }
    return {value: shownWhole(slot, slot.coding ? numberSpelled(slot, raw) : raw), note: note};
  }
  special = specialOf(slot, raw);
  if (special) {
    if (special[2] === 'missing') { return {value: null, reason: special[3] || 'missing'}; }
    return {value: numberOf(slot, raw), note: special[2].replace('_', ' ')};
  }
  if (slot.kind === 'time') { return slot.calendar ? dateText(slot.calendar, raw) : timeText(slot.clock, raw); }
  if (slot.kind === 'states') { return {value: stateOf(slot, raw)}; }
  if (slot.ieee) { return ieeeMeaning(slot, raw); }
  if (slot.coding) {
    raw = numberSpelled(slot, raw);
    if (raw === null) { return {value: null, reason: 'bad digit'}; }
  }
  if (holds(raw, slot.legal)) { return {value: linear(slot, raw)}; }
  if (slot.unassigned) { return {value: null, reason: 'unassigned'}; }
  return {value: linear(slot, raw), note: 'out_of_range'};
}

function numberOf(slot, raw) { return slot.ieee ? ieeeValue(slot.ieee, raw) : linear(slot, raw); }

function stateOf(slot, raw) {
  var i;
  for (i = 0; i < slot.states.length; i += 1) {
    if (!compare(slot.states[i][0], raw)) { return slot.states[i][1]; }
  }
  return shownWhole(slot, raw);
}
"""

CURVES = r"""
// -- values that are not linear in their code: pieces of polynomials, [low, high, coefficients, denominator] --

function pieceOf(pieces, raw) {
  var first = 0, last = pieces.length - 1, middle;
  while (first < last) {
    middle = Math.floor((first + last + 1) / 2);
    if (compare(pieces[middle][0], raw) <= 0) { first = middle; } else { last = middle - 1; }
  }
  return pieces[first];
}

function aboveOf(piece, raw) { // the value's numerator
  var total = 0, i;
  for (i = piece[2].length - 1; i >= 0; i -= 1) { total = plus(times(total, raw), piece[2][i]); }
  return total;
}

function curveValue(slot, raw) {
  var piece = pieceOf(slot.curve.pieces, raw), above = aboveOf(piece, raw);
  return slot.curve.whole ? shownWhole(slot, floorOver(above, piece[3])) : ratio(above, piece[3]);
}

// A value is [whole, k]: whole / 2^k. Below zero where it is less than the value of a code.
function valueAgainst(value, piece, raw) {
  return compare(times(value[0], piece[3]), shifted(aboveOf(piece, raw), value[1]));
}

function valueAgainstDouble(value, double) {
  var exact = exactDouble(double);
  return compare(shifted(value[0], exact[1]), shifted(exact[0], value[1]));
}

function curveToRaw(slot, n, given) {
  var line = slot.curve.line, value, lowest, highest, ends, first, last;
  if (!line) { return {fault: fault('no-inverse', shown(given) + ' cannot be encoded. Give the code: {raw: n}')}; }
  if (typeof n === 'number' && n - n !== 0) { return beyond(slot, n > 0, given); }
  value = typeof n === 'number' ? exactDouble(n) : [n, 0];
  first = line[0];
  last = line[line.length - 1];
  ends = slot.curve.rising ? [[first, first[0]], [last, last[1]]] : [[last, last[1]], [first, first[0]]];
  lowest = ends[0];
  highest = ends[1];
  if (valueAgainst(value, lowest[0], lowest[1]) < 0 && valueAgainstDouble(value, Number(curveValue(slot, lowest[1]))) < 0) {
    return beyond(slot, false, given);
  }
  if (valueAgainst(value, highest[0], highest[1]) > 0 && valueAgainstDouble(value, Number(curveValue(slot, highest[1]))) > 0) {
    return beyond(slot, true, given);
  }
  return linearToRaw(slot, nearestOnCurve(slot.curve, value), given);
}

// The code whose value is nearest, the greater of two: the last that is not beyond the value, or the one after it.
function nearestOnCurve(curve, value) {
  var line = curve.line, turn = curve.rising ? 1 : -1, at = 0, first, last, middle, here, there, after, both;
  while (at + 1 < line.length && turn * valueAgainst(value, line[at + 1], line[at + 1][0]) >= 0) { at += 1; }
  here = line[at];
  first = here[0];
  if (turn * valueAgainst(value, here, first) < 0) { return first; }
  last = here[1];
  while (compare(first, last) < 0) {
    middle = floorOver(plus(plus(first, last), 1), 2);
    if (turn * valueAgainst(value, here, middle) >= 0) { first = middle; } else { last = minus(middle, 1); }
  }
  there = here;
  after = plus(first, 1);
  if (compare(first, here[1]) === 0) {
    if (at + 1 === line.length) { return first; }
    there = line[at + 1];
    after = there[0];
  }
  both = plus(times(aboveOf(there, after), here[3]), times(aboveOf(here, first), there[3]));
  both = compare(shifted(both, value[1]), times(times(2, value[0]), times(here[3], there[3])));
  return turn * both <= 0 ? after : first;
}
"""

CODINGS = r"""
// -- numbers whose bits are not plain binary --

function numberSpelled(slot, raw) { // null where a digit is above 9
  var number = 0, unit = 1, rest, digit;
  if (isContinued(slot)) { return slot.first ? sizedNumber(slot.first, raw) : continuedNumber(slot, raw); }
  if (slot.coding === 'gray') { return fromGray(raw); }
  if (slot.coding === 'sign_and_magnitude') {
    return compare(raw, SIZES[slot.bits - 1]) >= 0 ? minus(SIZES[slot.bits - 1], raw) : raw;
  }
  for (rest = raw; compare(rest, 0); rest = floorOver(rest, 16)) {
    digit = minus(rest, times(floorOver(rest, 16), 16));
    if (digit > 9) { return null; }
    number = plus(number, times(digit, unit));
    unit = times(unit, 10);
  }
  return number;
}

function fromGray(raw) { // each bit is the parity of the code's bits from the top down to it
  var pair = halvesOf(raw), shift, high;
  for (shift = 1; shift < 32; shift *= 2) {
    high = pair[0];
    pair = [high ^ high >>> shift, pair[1] ^ (pair[1] >>> shift | high << 32 - shift)];
  }
  return fromHalves(pair[0] >>> 0, (pair[1] ^ pair[0]) >>> 0);
}

function codeOf(slot, number) {
  var code = 0, place = 1, rest, pair;
  if (isContinued(slot)) { return slot.first ? sizedCode(slot.first, number) : continuedCode(slot, number); }
  if (slot.coding === 'gray') {
    pair = halvesOf(number);
    return fromHalves((pair[0] ^ pair[0] >>> 1) >>> 0, (pair[1] ^ (pair[1] >>> 1 | pair[0] << 31)) >>> 0);
  }
  if (slot.coding === 'sign_and_magnitude') { return isNegative(number) ? minus(SIZES[slot.bits - 1], number) : number; }
  for (rest = number; compare(rest, 0); rest = floorOver(rest, 10)) {
    code = plus(code, times(minus(rest, times(floorOver(rest, 10), 10)), place));
    place = times(place, 16);
  }
  return code;
}
"""

TO_RAW = r"""
// -- from value to code --

function exactDouble(value) { // [whole, k]: value = whole / 2^k
  var k = 0;
  while (value !== Math.floor(value)) { value *= 2; k += 1; }
  return [Math.abs(value) <= SAFE ? value : wholeFrom(value < 0, limbsOf(value)), k];
}

// floor((value - offset) / scale + 1/2), exactly. value: a double, or a whole number of any size.
function roundRaw(scale, value) {
  var t, u, q, down, slack, exact, step, above;
  if (typeof value === 'number' && typeof scale[0] === 'number' && typeof scale[1] === 'number' && typeof scale[2] === 'number') {
    // Doubles decide where they are off by less than what is left to the next tie.
    t = value * scale[2];
    u = t - scale[1];
    q = u / scale[0];
    down = Math.floor(q + 0.5);
    slack = ((Math.abs(t) + 2 * Math.abs(u)) / Math.abs(scale[0]) + Math.abs(q) + 1) * 4.440892098500626e-16;
    if (q + 0.5 - down > slack && down + 1 - (q + 0.5) > slack) { return down || 0; }
  }
  exact = typeof value === 'number' ? exactDouble(value) : [value, 0];
  step = shifted(scale[0], exact[1]);
  above = plus(times(2, minus(times(exact[0], scale[2]), shifted(scale[1], exact[1]))), step);
  if (isNegative(step)) { return floorOver(negated(above), times(-2, step)); }
  return floorOver(above, times(2, step));
}

function shown(value) {
  var text;
  if (typeof value === 'string') { text = JSON.stringify(value); } else if (value === null || typeof value !== 'object') {
    text = String(value);
  } else if (value.limbs) { text = decimal(value); } else { text = Array.isArray(value) ? 'a list' : 'a mapping'; }
  return text.length > 40 ? text.slice(0, 37) + '...' : text;
}

function fault(rule, message) { return {rule: rule, message: message}; }

// A value that is a number: a double, or a whole number beyond 2^53 - 1 from its decimal string. undefined: none.
function numberFrom(slot, value) {
  var n;
  if (typeof value === 'number') { return value; }
  if (typeof value !== 'string' || slot.kind === 'time' || value.length > 1000 || !/^[+-]?[0-9]+$/.test(value)) { return undefined; }
  n = whole(value);
  return (slot.wide && slot.kind !== 'float') || typeof n !== 'number' ? n : undefined;
}

// {raw, clamped} or {fault}: what a value encodes to.
function toRaw(slot, value, bits) {
  var n = numberFrom(slot, value), missing;
  if (slot.digits) { return toDigits(slot.digits, value); }
  if (slot.bundle && value !== null) { return fromSamples(slot, value); }
  if (typeof value === 'string') {
    missing = fromWord(slot, value);
    if (n === undefined || !missing.fault) { return missing; }
  }
  if (slot.kind === 'flag') {
    if (typeof value === 'boolean') { return {raw: value ? 1 : 0}; }
    return {fault: fault('wrong-type', shown(value) + ' is neither true nor false')};
  }
  if (value === null) { return fromNothing(slot); }
  if (slot.kind === 'time') { return timeToRaw(slot, value); }
  if (slot.kind !== 'number' && slot.kind !== 'float') { return fromCode(slot, value, n, bits); }
  if (n === undefined) { return {fault: fault('not-a-number', shown(value) + ' is not a number')}; }
  if (n !== n) {
    missing = missingCode(slot);
    return missing === undefined ? {fault: fault('not-finite', 'NaN, and the field declares no missing code')} : {raw: missing};
  }
  if (slot.ieee) { return ieeeToRaw(slot, typeof n === 'number' ? n : ratio(n, 1), value); }
  if (slot.curve) { return curveToRaw(slot, n, value); }
  if (typeof n === 'number' && n - n !== 0) { return beyond(slot, n > 0, value); }
  return linearToRaw(slot, roundRaw(slot.scale || [1, 0, 1], n), value);
}

function linearToRaw(slot, raw, given) {
  var legal = slot.legal, near = null;
  if (holds(raw, legal)) { return {raw: spelled(slot, raw)}; }
  if (specialOf(slot, raw, true)) { return {raw: raw}; }
  if (compare(raw, legal[0][0]) < 0 || compare(raw, legal[legal.length - 1][1]) > 0) {
    return beyond(slot, compare(raw, legal[0][0]) > 0 === isRising(slot), given);
  }
  if (slot.policy !== 'clamp') { return byPolicy(slot, raw, given); }
  legal.forEach(function (one) {
    one.forEach(function (code) {
      var way = minus(code, raw);
      if (isNegative(way)) { way = negated(way); }
      if (!near || compare(way, near.way) < 0) { near = {way: way, raw: code}; }
    });
  });
  return {raw: spelled(slot, near.raw), clamped: true};
}

function spelled(slot, number) { return slot.coding ? codeOf(slot, number) : number; }

function isRising(slot) { return slot.curve ? slot.curve.rising : !slot.scale || !isNegative(slot.scale[0]); }

// What becomes of a value above (or below) every legal one.
function beyond(slot, above, given) {
  var legal = slot.legal, end = above === isRising(slot) ? legal[legal.length - 1][1] : legal[0][0], i;
  if (slot.policy !== 'clamp') { return byPolicy(slot, end, given); }
  for (i = 0; i < (slot.specials || []).length; i += 1) {
    if (slot.specials[i][2] === (above ? 'at_least' : 'at_most')) { return {raw: slot.specials[i][0], clamped: true}; }
  }
  return {raw: spelled(slot, end), clamped: true};
}

function byPolicy(slot, nearest, given) {
  var missing = missingCode(slot), ends;
  if (slot.policy === 'missing' && missing !== undefined) { return {raw: missing}; }
  ends = slot.ieee ? [slot.low, slot.high] : [linear(slot, slot.legal[0][0]), linear(slot, slot.legal[slot.legal.length - 1][1])];
  if (!isRising(slot)) { ends.reverse(); }
  return {fault: fault('out-of-range', shown(given) + ' cannot be sent; the field holds ' + ends[0] + ' to ' + ends[1])};
}

function fromNothing(slot) {
  var missing = missingCode(slot);
  if (missing !== undefined) { return {raw: missing}; }
  return {fault: fault(slot.kind === 'number' || slot.kind === 'float' ? 'not-a-number' : 'wrong-type',
    'null, and the field declares no missing code')};
}

function fromWord(slot, word) {
  var specials = slot.specials || [], i;
  for (i = 0; i < specials.length; i += 1) {
    if (specials[i][2] === 'missing' && specials[i][3] && specials[i][3] === word) { return {raw: specials[i][0]}; }
  }
  if (slot.kind === 'states') {
    for (i = 0; i < slot.states.length; i += 1) {
      if (slot.states[i][1] === word) { return {raw: slot.states[i][0]}; }
    }
    return {fault: fault('unknown-state', shown(word) + ' is none of its states')};
  }
  if (slot.kind === 'time') { return timeToRaw(slot, word); }
  return {fault: fault(slot.kind === 'flag' ? 'wrong-type' : 'not-a-number', shown(word) + ' is text')};
}

function wholeGiven(value) { // a whole number, from a double or a decimal string; undefined for anything else
  if (typeof value === 'string') { return /^[+-]?[0-9]{1,1000}$/.test(value) ? whole(value) : undefined; }
  if (typeof value !== 'number' || value - value !== 0 || value !== Math.floor(value)) { return undefined; }
  return exactDouble(value)[0];
}

function fromCode(slot, value, n, bits) {
  var code = n === undefined ? undefined : typeof n === 'number' ? wholeGiven(n) : n, limits = numberLimits(slot, bits);
  if (code === undefined) {
    return {fault: fault(slot.kind === 'states' ? 'wrong-type' : 'not-a-number', shown(value) + ' is not a whole number')};
  }
  if (!holds(code, [limits])) {
    return {fault: fault('out-of-range', shown(value) + ' does not fit ' + bits + ' bits')};
  }
  if (slot.kind === 'tag' && !slot.hidden && !holds(code, slot.codes)) {
    return {fault: fault('out-of-range', shown(value) + ' is none of its codes')};
  }
  return {raw: spelled(slot, code || 0)};
}
"""
