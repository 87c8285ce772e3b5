"""Numbers: whole ones of any size, and IEEE 754 by arithmetic."""

from __future__ import annotations

WHOLE = r"""
// -- whole numbers of any size: a number up to 2^53 - 1, beyond it {negative, limbs}, 24 bits a limb, the low one first --

var SAFE = 9007199254740991;
var LIMB = 16777216;

function wholeFrom(negative, limbs) {
  var count = limbs.length, value = 0, i;
  while (count && !limbs[count - 1]) { count -= 1; }
  limbs.length = count;
  if (count > 3 || (count === 3 && limbs[2] >= 32)) { return {negative: negative, limbs: limbs}; }
  for (i = count - 1; i >= 0; i -= 1) { value = value * LIMB + limbs[i]; }
  return negative && value ? -value : value;
}

// Takes a whole number of either form, or any whole double, however large.
function limbsOf(n) {
  var limbs = [], rest;
  if (typeof n !== 'number') { return n.limbs; }
  for (rest = Math.abs(n); rest > 0; rest = Math.floor(rest / LIMB)) { limbs.push(rest % LIMB); }
  return limbs;
}

function isNegative(n) { return typeof n === 'number' ? n < 0 : n.negative; }

function compareLimbs(a, b) {
  var i;
  if (a.length !== b.length) { return a.length - b.length; }
  for (i = a.length - 1; i >= 0; i -= 1) {
    if (a[i] !== b[i]) { return a[i] - b[i]; }
  }
  return 0;
}

function addLimbs(a, b) {
  var sum = [], carry = 0, i;
  for (i = 0; i < a.length || i < b.length || carry; i += 1) {
    carry += (a[i] || 0) + (b[i] || 0);
    sum.push(carry % LIMB);
    carry = Math.floor(carry / LIMB);
  }
  return sum;
}

function takeLimbs(a, b) { // a - b, where a is not the smaller one
  var rest = [], borrow = 0, i, digit;
  for (i = 0; i < a.length; i += 1) {
    digit = a[i] - (b[i] || 0) - borrow;
    borrow = digit < 0 ? 1 : 0;
    rest.push(digit + borrow * LIMB);
  }
  while (rest.length && !rest[rest.length - 1]) { rest.pop(); }
  return rest;
}

function negated(n) {
  return typeof n === 'number' ? 0 - n : {negative: !n.negative, limbs: n.limbs};
}

function plus(a, b) {
  var sum, x, y;
  if (typeof a === 'number' && typeof b === 'number') {
    sum = a + b;
    if (Math.abs(sum) <= SAFE) { return sum; }
  }
  x = limbsOf(a);
  y = limbsOf(b);
  if (isNegative(a) === isNegative(b)) { return wholeFrom(isNegative(a), addLimbs(x, y)); }
  return compareLimbs(x, y) >= 0 ? wholeFrom(isNegative(a), takeLimbs(x, y)) : wholeFrom(isNegative(b), takeLimbs(y, x));
}

function minus(a, b) { return plus(a, negated(b)); }

function times(a, b) {
  var product, x, y, made = [], i, j, carry;
  if (typeof a === 'number' && typeof b === 'number') {
    product = a * b;
    if (Math.abs(product) <= SAFE) { return product || 0; }
  }
  x = limbsOf(a);
  y = limbsOf(b);
  for (i = 0; i < x.length; i += 1) {
    carry = 0;
    for (j = 0; j < y.length || carry; j += 1) {
      carry += (made[i + j] || 0) + x[i] * (y[j] || 0);
      made[i + j] = carry % LIMB;
      carry = Math.floor(carry / LIMB);
    }
  }
  for (i = 0; i < made.length; i += 1) { made[i] = made[i] || 0; }
  return wholeFrom(isNegative(a) !== isNegative(b), made);
}

function compare(a, b) {
  if (typeof a === 'number' && typeof b === 'number') { return a - b; }
  if (isNegative(a) !== isNegative(b)) { return isNegative(a) ? -1 : 1; }
  return compareLimbs(limbsOf(a), limbsOf(b)) * (isNegative(a) ? -1 : 1);
}

function bitsIn(n) { // of its magnitude
  var limbs = limbsOf(n), top = limbs[limbs.length - 1] || 0, count = 0;
  while (top) { top >>>= 1; count += 1; }
  return limbs.length ? (limbs.length - 1) * 24 + count : 0;
}

// The magnitudes' quotient and remainder: [quotient, remainder].
function divided(a, b) {
  var x = limbsOf(a), y = limbsOf(b), quotient = [], rest = [], i, bit, j, carry;
  for (i = x.length - 1; i >= 0; i -= 1) {
    quotient[i] = 0;
    for (bit = 23; bit >= 0; bit -= 1) {
      carry = x[i] >>> bit & 1;
      for (j = 0; j < rest.length || carry; j += 1) {
        carry += (rest[j] || 0) * 2;
        rest[j] = carry % LIMB;
        carry = carry >= LIMB ? 1 : 0;
      }
      if (compareLimbs(rest, y) >= 0) {
        rest = takeLimbs(rest, y);
        quotient[i] += 1 << bit;
      }
    }
  }
  return [wholeFrom(false, quotient), wholeFrom(false, rest)];
}

function floorOver(a, b) { // floor(a / b)
  var parts, negative;
  if (typeof a === 'number' && typeof b === 'number') { return Math.floor(a / b) || 0; }
  parts = divided(a, b);
  negative = isNegative(a) !== isNegative(b);
  if (!negative) { return parts[0]; }
  return negated(compare(parts[1], 0) ? plus(parts[0], 1) : parts[0]);
}

function power(exponent) { // 2^exponent as a double
  var value = 1, i;
  for (i = Math.abs(exponent); i > 0; i -= 1) { value *= exponent < 0 ? 0.5 : 2; }
  return value;
}

function scaled(value, exponent) { // value * 2^exponent, in two steps that neither overflow nor round on the way
  var half = Math.floor(exponent / 2);
  return value * power(half) * power(exponent - half);
}

function shifted(n, bits) { // n * 2^bits, exact
  var limbs = [];
  while (limbs.length < Math.floor(bits / 24)) { limbs.push(0); }
  limbs.push(1 << bits % 24);
  return times(n, wholeFrom(false, limbs));
}

// a / b as the nearest double, ties to even; b > 0. Division of doubles rounds once, where both are exact.
function ratio(a, b) {
  var shift, parts, top, half, order;
  if (typeof a === 'number' && typeof b === 'number') { return a / b || 0; }
  if (!compare(a, 0)) { return 0; }
  shift = 53 - bitsIn(a) + bitsIn(b); // the quotient has 53 bits, or 54
  b = shifted(b, Math.max(0, -shift));
  parts = divided(shifted(a, Math.max(0, shift)), b);
  top = parts[0];
  if (bitsIn(top) > 53) {
    half = floorOver(top, 2);
    order = compare(minus(top, times(half, 2)), 1) || (compare(parts[1], 0) ? 1 : 0);
    shift -= 1;
  } else {
    half = top;
    order = compare(times(parts[1], 2), b);
  }
  if (order > 0 || (!order && half % 2)) { half += 1; }
  half = scaled(half, -shift);
  return isNegative(a) ? -half : half;
}

function whole(text) {
  var digits = text.replace(/^[+-]/, ''), value = 0, at;
  for (at = 0; at < digits.length; at += 7) {
    value = plus(times(value, Math.pow(10, Math.min(7, digits.length - at))), Number(digits.substr(at, 7)));
  }
  return text.charAt(0) === '-' ? negated(value) : value;
}

function decimal(n) {
  var text = '', rest = n, parts;
  if (typeof n === 'number') { return String(n); }
  while (compare(rest, 0)) {
    parts = divided(rest, 10000000);
    text = ('000000' + parts[1]).slice(-7) + text;
    rest = parts[0];
  }
  return (n.negative ? '-' : '') + text.replace(/^0+/, '');
}
"""

IEEE = r"""
// -- IEEE 754 by arithmetic: significant bits stored, exponents --

var FORMATS = {16: [10, 5], 32: [23, 8], 64: [52, 11]};

function ieeeParts(bits, raw) { // [is negative, biased exponent, fraction]
  var stored = FORMATS[bits][0], size = SIZES[stored], rest = raw, negative = compare(raw, SIZES[bits - 1]) >= 0, top;
  if (negative) { rest = minus(raw, SIZES[bits - 1]); }
  top = floorOver(rest, size);
  return [negative, top, minus(rest, times(top, size))];
}

function ieeeValue(bits, raw) {
  var form = FORMATS[bits], parts = ieeeParts(bits, raw), last = (1 << form[1]) - 1, bias = last >> 1, value;
  if (parts[1] === last) { return parts[2] ? NaN : parts[0] ? -Infinity : Infinity; }
  value = parts[1] ? parts[2] + SIZES[form[0]] : parts[2];
  value = scaled(value, Math.max(parts[1], 1) - bias - form[0]);
  return parts[0] ? -value : value;
}

function ieeeMeaning(slot, raw) {
  var value = ieeeValue(slot.ieee, raw);
  if (value !== value) { return {value: null, reason: missingCode(slot) === undefined ? 'not finite' : 'missing'}; }
  if (value - value !== 0) { return {value: null, reason: 'not finite'}; }
  return {value: value, note: slot.low <= value && value <= slot.high ? '' : 'out_of_range'};
}

// The exponent of the last place that a double has in a format.
function lastPlace(bits, value) {
  var form = FORMATS[bits], least = 2 - (1 << form[1] - 1) - form[0], exponent = 0, size = Math.abs(value);
  while (size >= 2) { size /= 2; exponent += 1; }
  while (size < 1 && exponent - form[0] > least) { size *= 2; exponent -= 1; }
  return Math.max(exponent - form[0], least);
}

function ieeeRounded(bits, value) { // ties to even; infinite where it is beyond
  var place, steps, down, made;
  if (bits === 64 || value - value !== 0 || value === 0) { return value; }
  place = lastPlace(bits, value);
  steps = scaled(Math.abs(value), -place);
  down = Math.floor(steps);
  if (steps - down > 0.5 || (steps - down === 0.5 && down % 2)) { down += 1; }
  made = scaled(down, place);
  if (made >= power(1 << FORMATS[bits][1] - 1)) { made = Infinity; }
  return value < 0 ? -made : made;
}

function ieeePattern(bits, value) {
  var form = FORMATS[bits], last = (1 << form[1]) - 1, bias = last >> 1, sign, place, steps, raw;
  sign = value < 0 || (value === 0 && 1 / value < 0) ? SIZES[bits - 1] : 0;
  if (value - value !== 0) { return plus(sign, times(last, SIZES[form[0]])); }
  place = lastPlace(bits, value);
  steps = scaled(Math.abs(value), -place);
  raw = steps < SIZES[form[0]] ? steps : plus(times(place + form[0] + bias, SIZES[form[0]]), steps - SIZES[form[0]]);
  return plus(sign, raw);
}

function ieeeToRaw(slot, value, given) {
  var bits = slot.ieee, rounded = ieeeRounded(bits, value), nearest;
  nearest = ieeePattern(bits, rounded < slot.low ? slot.low : rounded > slot.high ? slot.high : rounded); // -0 stays what it is
  if (slot.low <= rounded && rounded <= slot.high && !specialOf(slot, nearest)) { return {raw: nearest}; }
  if (slot.policy !== 'clamp') { return byPolicy(slot, nearest, given); }
  return {raw: nearestIeee(slot, nearest), clamped: true};
}

// The legal pattern that is fewest patterns away, in the order of their numbers; the lower number of two.
function nearestIeee(slot, raw) {
  var sign = SIZES[slot.ieee - 1], codes = [raw, 0, sign], best = null;
  function place(code) { return compare(code, sign) >= 0 ? minus(minus(sign, 1), code) : code; }
  codes.push(ieeePattern(slot.ieee, slot.low), ieeePattern(slot.ieee, slot.high));
  (slot.specials || []).forEach(function (one) { codes.push(minus(one[0], 1), plus(one[1], 1)); });
  codes.forEach(function (code) {
    var value, way, order;
    if (isNegative(code) || compare(code, SIZES[slot.ieee]) >= 0 || specialOf(slot, code)) { return; }
    value = ieeeValue(slot.ieee, code);
    if (!(slot.low <= value && value <= slot.high)) { return; }
    way = minus(place(code), place(raw));
    if (isNegative(way)) { way = negated(way); }
    order = best ? compare(way, best.way) || compare(place(code), best.place) : -1;
    if (order < 0) { best = {code: code, way: way, place: place(code)}; }
  });
  return best ? best.code : raw;
}
"""
