r"""The part of generated JavaScript that is the same for every mission: ECMAScript 5.1, without BigInt, typed arrays or Math.fround.

Sections of text, each with what it is for; the target takes those that a mission needs. It is the walker once more (codec/walk.py,
codec/assemble.py, layout/number.py), and is held to it on random schemas. Whole numbers are JavaScript numbers up to 2^53 - 1 and
{negative, limbs} beyond, so every sum and quotient is exact; a double appears once, at the end.
"""

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

BITS = r"""
// -- bits in octets --

// Where a slot's bits lie, counted from the octet that its run starts in: [octet, shift, count] from the most significant
// down, no piece longer than an octet. residue: the bit of that octet that the run starts at.
function piecesOf(run, slot, bits, residue) {
  var places = [], moved = [], i;
  (slot.split || [[slot.at, bits]]).forEach(function (part) {
    var found = placesOf(run, part[0], part[1], residue);
    places = places.concat(run.packing === 'least' ? found.reverse() : found);
  });
  if (slot.octets_reversed) {
    for (i = bits - 8; i >= 0; i -= 8) { moved = moved.concat(places.slice(i, i + 8)); }
    places = moved;
  }
  if (slot.bits_reversed) { places.reverse(); }
  return joinedPlaces(places);
}

function placesOf(run, first, bits, residue) { // as the packing numbers them; place p is in octet p / 8, at 7 - p % 8
  var places = [], size = (run.word || 8) / 8, bit, octet;
  for (bit = first; bit < first + bits; bit += 1) {
    octet = Math.floor(bit / 8);
    if (run.packing === 'words') {
      places.push(residue + (octet - octet % size + size - 1 - octet % size) * 8 + bit % 8);
    } else if (run.packing === 'least') {
      places.push(bit + residue - (bit + residue) % 8 + 7 - (bit + residue) % 8);
    } else {
      places.push(residue + bit);
    }
  }
  return places;
}

// Runs of neighbouring bits of one octet; none goes across the last 32 bits' end, so that either half fits a number.
function joinedPlaces(places) {
  var pieces = [], last = null, i, octet, shift;
  for (i = 0; i < places.length; i += 1) {
    octet = Math.floor(places[i] / 8);
    shift = 7 - places[i] % 8;
    if (last && last[0] === octet && last[1] === shift + 1 && places.length - i !== 32) {
      last[1] = shift;
      last[2] += 1;
    } else {
      last = [octet, shift, 1];
      pieces.push(last);
    }
  }
  return pieces;
}

function pieces(run, slot, bits, residue) {
  var key = residue * 65 + bits;
  slot.pieces = slot.pieces || {};
  return slot.pieces[key] || (slot.pieces[key] = piecesOf(run, slot, bits, residue));
}

function fromHalves(high, low) {
  if (high < 2097152) { return high * 4294967296 + low; }
  return wholeFrom(false, [low % LIMB, Math.floor(low / LIMB) + high % 65536 * 256, Math.floor(high / 65536)]);
}

function halvesOf(n) { // of a code of 64 bits at most
  var limbs;
  if (typeof n === 'number') { return [Math.floor(n / 4294967296), n % 4294967296]; }
  limbs = n.limbs;
  return [Math.floor(limbs[1] / 256) + limbs[2] * 65536, limbs[0] + limbs[1] % 256 * LIMB];
}

// An unsigned code. start: the octet that its run starts in.
function readCode(octets, start, places, bits) {
  var high = 0, low = 0, left = bits, i, piece, part;
  for (i = 0; i < places.length; i += 1) {
    piece = places[i];
    part = octets[start + piece[0]] >>> piece[1] & (1 << piece[2]) - 1;
    if (left > 32) {
      high = high * (1 << piece[2]) + part;
    } else {
      low = low * (1 << piece[2]) + part;
    }
    left -= piece[2];
  }
  return bits > 32 ? fromHalves(high, low) : low;
}

function writeCode(octets, start, places, code) {
  var halves = halvesOf(code), half = halves[1], done = 0, i, piece, mask;
  for (i = places.length - 1; i >= 0; i -= 1) {
    if (done === 32) { half = halves[0]; }
    piece = places[i];
    mask = (1 << piece[2]) - 1;
    octets[start + piece[0]] = octets[start + piece[0]] & ~(mask << piece[1]) | half % (mask + 1) << piece[1];
    half = Math.floor(half / (mask + 1));
    done += piece[2];
  }
}

var SIZES = []; // 2^0 to 2^64
(function () {
  var size = 1;
  while (SIZES.length < 65) {
    SIZES.push(size);
    size = times(size, 2);
  }
}());

function limitsOf(slot, bits) {
  var half;
  if (!slot.signed) { return [0, minus(SIZES[bits], 1)]; }
  half = SIZES[bits - 1];
  return [negated(half), minus(half, 1)];
}

function signedCode(slot, code, bits) {
  return slot.signed && compare(code, SIZES[bits - 1]) >= 0 ? minus(code, SIZES[bits]) : code;
}

function unsignedCode(raw, bits) { return isNegative(raw) ? plus(raw, SIZES[bits]) : raw; }

function cleared(count) {
  var octets = [], i;
  for (i = 0; i < count; i += 1) { octets.push(0); }
  return octets;
}

function holds(raw, codes) {
  var i;
  for (i = 0; i < codes.length; i += 1) {
    if (compare(raw, codes[i][0]) >= 0 && compare(raw, codes[i][1]) <= 0) { return true; }
  }
  return false;
}
"""

CHECKS = r"""
// -- checks --

// Where a run of words reverses its octets, a span of bits lies elsewhere on the wire: its parts, in order.
function wireSpans(spans, words) {
  var made = [], i, at, end, word, stop, place, moved;
  for (i = 0; i < spans.length; i += 1) {
    at = spans[i][0];
    end = spans[i][1];
    while (at < end) {
      word = wordAt(words, at);
      if (word.bits === undefined) {
        stop = Math.min(end, word.next);
        made.push([at, stop]);
      } else {
        place = (at - word.first) % word.bits;
        if (!place && end - at >= word.bits) {
          stop = at + word.bits;
          made.push([at, stop]);
        } else {
          stop = Math.min(end, at + 8 - place % 8);
          moved = at - place + (word.bits / 8 - 1 - Math.floor(place / 8)) * 8 + place % 8;
          made.push([moved, moved + stop - at]);
        }
      }
      at = stop;
    }
  }
  return made.sort(function (a, b) { return a[0] - b[0]; });
}

function wordAt(words, at) {
  var next = Infinity, i;
  for (i = 0; i < words.length; i += 1) {
    if (words[i].first <= at && at < words[i].last) { return words[i]; }
    if (words[i].first > at) { next = Math.min(next, words[i].first); }
  }
  return {next: next};
}

function without(spans, first, last) {
  var made = [], i, start, end;
  for (i = 0; i < spans.length; i += 1) {
    start = spans[i][0];
    end = spans[i][1];
    if (start < Math.min(end, first)) { made.push([start, Math.min(end, first)]); }
    if (Math.max(start, last) < end) { made.push([Math.max(start, last), end]); }
  }
  return made;
}

// The bits of spans as octets, the last one filled with zeros: {octets, bits}.
function fedBits(check, octets, spans) {
  var fed = (check.also || []).slice(), bits = fed.length * 8, i, at, end, shift, bit;
  for (i = 0; i < spans.length; i += 1) {
    at = spans[i][0];
    end = spans[i][1];
    while (at < end) {
      if (at % 8 === 0 && bits % 8 === 0 && end - at >= 8) {
        fed.push(octets[at / 8]);
        at += 8;
        bits += 8;
        continue;
      }
      shift = check.least_first ? at % 8 : 7 - at % 8;
      bit = octets[(at - at % 8) / 8] >>> shift & 1;
      if (bits % 8 === 0) { fed.push(0); }
      fed[(bits - bits % 8) / 8] |= bit << (check.least_first ? bits % 8 : 7 - bits % 8);
      at += 1;
      bits += 1;
    }
  }
  return {octets: fed, bits: bits};
}

function mirrored(pair, bits) { // the lowest bits of [high, low] in the opposite order
  var made = [0, 0], i;
  for (i = 0; i < bits; i += 1) {
    if (pair[i < 32 ? 1 : 0] >>> i % 32 & 1) {
      made[bits - 1 - i < 32 ? 1 : 0] |= 1 << (bits - 1 - i) % 32;
    }
  }
  return [made[0] >>> 0, made[1] >>> 0];
}

// A register in two halves. Fed from the low end it is reflected and stands right; else it stands left in 64 bits.
function lowStep(pair, poly) {
  var odd = pair[1] & 1;
  pair[1] = pair[1] >>> 1 | pair[0] << 31;
  pair[0] >>>= 1;
  if (odd) { pair[0] ^= poly[0]; pair[1] ^= poly[1]; }
}

function highStep(pair, poly) {
  var top = pair[0] >>> 31;
  pair[0] = pair[0] << 1 | pair[1] >>> 31;
  pair[1] <<= 1;
  if (top) { pair[0] ^= poly[0]; pair[1] ^= poly[1]; }
}

function leftAligned(n, bits) { return halvesOf(times(n, SIZES[64 - bits])); }

function crcTable(poly, step, low) {
  var table = [], i, k, pair;
  for (i = 0; i < 256; i += 1) {
    pair = low ? [0, i] : [i << 24, 0];
    for (k = 0; k < 8; k += 1) { step(pair, poly); }
    table.push(pair);
  }
  return table;
}

// fed: {octets, bits}; low: each octet from its least significant bit.
function crc(algorithm, fed, low) {
  var bits = algorithm.bits, key = low ? 'from_low' : 'from_high', step = low ? lowStep : highStep, poly, pair, table, at, i, entry;
  poly = low ? mirrored(halvesOf(algorithm.poly), bits) : leftAligned(algorithm.poly, bits);
  pair = low ? mirrored(halvesOf(algorithm.init), bits) : leftAligned(algorithm.init, bits);
  table = algorithm[key] || (algorithm[key] = crcTable(poly, step, low));
  for (at = 0; at < Math.floor(fed.bits / 8); at += 1) {
    if (low) {
      entry = table[(pair[1] ^ fed.octets[at]) & 255];
      pair[1] = (pair[1] >>> 8 | pair[0] << 24) ^ entry[1];
      pair[0] = pair[0] >>> 8 ^ entry[0];
    } else {
      entry = table[pair[0] >>> 24 ^ fed.octets[at]];
      pair[0] = (pair[0] << 8 | pair[1] >>> 24) ^ entry[0];
      pair[1] = pair[1] << 8 ^ entry[1];
    }
  }
  for (i = 0; i < fed.bits % 8; i += 1) {
    if (low) {
      pair[1] ^= fed.octets[at] >>> i & 1;
    } else {
      pair[0] ^= (fed.octets[at] >>> 7 - i & 1) << 31;
    }
    step(pair, poly);
  }
  if (!low) { // down to the right: the register's upper end is the upper end of 64 bits
    pair = mirrored(pair, 64);
    if (!algorithm.reflect_out) { pair = mirrored(pair, bits); }
  } else if (!algorithm.reflect_out) {
    pair = mirrored(pair, bits);
  }
  entry = halvesOf(algorithm.final_xor);
  return fromHalves((pair[0] ^ entry[0]) >>> 0, (pair[1] ^ entry[1]) >>> 0);
}

function wordsOf(octets, algorithm) { // a partial last word is filled with zero octets
  var size = algorithm.word / 8, made = [], i, k, word;
  for (i = 0; i < octets.length; i += Math.ceil(size)) {
    if (size < 1) {
      made.push(octets[i] >>> 4, octets[i] & 15);
      continue;
    }
    word = 0;
    for (k = 0; k < size; k += 1) { word = word * 256 + (octets[i + (algorithm.low_first ? size - 1 - k : k)] || 0); }
    made.push(word);
  }
  return made;
}

function arithmeticCheck(algorithm, octets) {
  var words, size, total = 0, second = 0, modulus = algorithm.modulus, i, parity;
  if (algorithm.family === 'parity') {
    parity = algorithm.init || 0;
    for (i = 0; i < octets.length * 8; i += 1) { parity ^= octets[i >> 3] >>> (i & 7) & 1; }
    return parity;
  }
  if (algorithm.family === 'adler') {
    total = 1;
    for (i = 0; i < octets.length; i += 1) {
      total = (total + octets[i]) % 65521;
      second = (second + total) % 65521;
    }
    return second * 65536 + total;
  }
  words = wordsOf(octets, algorithm);
  size = SIZES[algorithm.word];
  for (i = 0; i < words.length; i += 1) {
    if (algorithm.family === 'xor') {
      total = (total ^ words[i]) >>> 0;
    } else {
      total = algorithm.end_around && total + words[i] ? (total + words[i] - 1) % modulus + 1 : (total + words[i]) % modulus;
      second = (second + total) % modulus;
    }
  }
  if (algorithm.family === 'fletcher') {
    if (algorithm.final === 'balanced') { // the two words that bring both sums to zero; zero itself is sent as all ones
      i = second || modulus;
      second = (2 * modulus - total - second) % modulus || modulus;
      total = i;
    }
    return algorithm.first_sum_high ? plus(times(total, size), second) : plus(times(second, size), total);
  }
  if (algorithm.final === 'inverted') { return SIZES[algorithm.bits] - 1 - total; }
  return algorithm.final === 'negated' && total ? SIZES[algorithm.bits] - total : total;
}

// leaf: a check slot at its place; frame: the octets; words: the runs of words, as {first, last, bits}.
function checkValue(leaf, frame, words) {
  var check = leaf.slot.check, algorithm = check.algorithm, octets = frame, spans = [], i, fed, value, mixed, pair, other;
  for (i = 0; i < check.spans.length; i += 1) {
    spans.push([markAt(leaf, check.spans[i][0], frame), markAt(leaf, check.spans[i][1], frame)]);
  }
  spans = wireSpans(spans, words);
  if (check.own === 'skip') {
    mixed = wireSpans((leaf.slot.split || [[leaf.slot.at, leaf.bits]]).map(function (part) {
      var first = leaf.bit - leaf.slot.at + part[0];
      return [first, first + part[1]];
    }), words);
    for (i = 0; i < mixed.length; i += 1) { spans = without(spans, mixed[i][0], mixed[i][1]); }
  } else if (check.own) {
    octets = [].slice.call(frame);
    writeCode(octets, leaf.start, leaf.places, check.own === 'ones' ? minus(SIZES[leaf.bits], 1) : 0);
  }
  fed = fedBits(check, octets, spans);
  if (algorithm.family === 'crc') {
    if (!check.in_wire_order) { fed.bits = fed.octets.length * 8; }
    value = crc(algorithm, fed, check.in_wire_order ? check.least_first : algorithm.reflect_in);
  } else {
    value = arithmeticCheck(algorithm, fed.octets);
  }
  pair = halvesOf(value);
  if (check.mixed !== undefined) {
    mixed = leafOf(leaf.scope, check.mixed);
    other = halvesOf(unsignedCode(mixed.raw, mixed.bits));
    pair = [(pair[0] ^ other[0]) >>> 0, (pair[1] ^ other[1]) >>> 0];
  }
  return fromHalves(leaf.bits > 32 ? pair[0] % SIZES[leaf.bits - 32] : 0, leaf.bits > 31 ? pair[1] : pair[1] % SIZES[leaf.bits]);
}

function markAt(leaf, mark, frame) {
  return mark[0] < 0 ? frame.length * 8 : startOf(leaf.scope, mark[0]) + mark[1];
}
"""

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
  var special;
  if (slot.kind === 'flag') { return {value: raw === 1}; }
  if (slot.kind !== 'number' && slot.kind !== 'float' && slot.kind !== 'states') {
    return {value: shownWhole(slot, raw), note: slot.kind === 'reserved' && compare(raw, 0) ? 'not zero' : ''};
  }
  special = specialOf(slot, raw);
  if (special) {
    if (special[2] === 'missing') { return {value: null, reason: special[3] || 'missing'}; }
    return {value: numberOf(slot, raw), note: special[2].replace('_', ' ')};
  }
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
  if (typeof value !== 'string' || value.length > 1000 || !/^[+-]?[0-9]+$/.test(value)) { return undefined; }
  n = whole(value);
  return (slot.wide && slot.kind !== 'float') || typeof n !== 'number' ? n : undefined;
}

// {raw, clamped} or {fault}: what a value encodes to.
function toRaw(slot, value, bits) {
  var n = numberFrom(slot, value), missing;
  if (typeof value === 'string') {
    missing = fromWord(slot, value);
    if (n === undefined || !missing.fault) { return missing; }
  }
  if (slot.kind === 'flag') {
    if (typeof value === 'boolean') { return {raw: value ? 1 : 0}; }
    return {fault: fault('wrong-type', shown(value) + ' is neither true nor false')};
  }
  if (value === null) { return fromNothing(slot); }
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
  return {fault: fault(slot.kind === 'flag' ? 'wrong-type' : 'not-a-number', shown(word) + ' is text')};
}

function wholeGiven(value) { // a whole number, from a double or a decimal string; undefined for anything else
  if (typeof value === 'string') { return /^[+-]?[0-9]{1,1000}$/.test(value) ? whole(value) : undefined; }
  if (typeof value !== 'number' || value - value !== 0 || value !== Math.floor(value)) { return undefined; }
  return exactDouble(value)[0];
}

function fromCode(slot, value, n, bits) {
  var code = n === undefined ? undefined : typeof n === 'number' ? wholeGiven(n) : n, limits = limitsOf(slot, bits);
  if (code === undefined) {
    return {fault: fault(slot.kind === 'states' ? 'wrong-type' : 'not-a-number', shown(value) + ' is not a whole number')};
  }
  if (!holds(code, [limits])) {
    return {fault: fault('out-of-range', shown(value) + ' does not fit ' + bits + ' bits')};
  }
  if (slot.kind === 'tag' && !slot.hidden && !holds(code, slot.codes)) {
    return {fault: fault('out-of-range', shown(value) + ' is none of its codes')};
  }
  return {raw: code || 0};
}
"""

WALK = r"""
// -- what is known of one frame on its way --

// One container that can be there several times: where its parts start, and the slots met so far.
function scopeIn(outer) { return {outer: outer, starts: {}, leaves: {}}; }

function leafOf(scope, number) {
  while (!scope.leaves[number]) { scope = scope.outer; }
  return scope.leaves[number];
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

function fillBits(at, unit) { return (unit - at % unit) % unit; }

function put(made, path, value) { // a bare container's only value stands under '', which is no name
  var i;
  for (i = 0; i < path.length - 1; i += 1) { made = own(made, path[i]) || (made[path[i]] = {}); }
  made[path.length ? path[path.length - 1] : ''] = value;
}
"""

DECODE = r"""
// -- from a frame to a record --

// Decoding one frame: {parts, used} in the shape of its table, codes read, nothing judged.
function Reading(frame, octets) {
  this.frame = frame;
  this.octets = octets;
  this.end = octets.length * 8;
  this.leaves = [];
  this.words = [];
}

Reading.prototype.read = function () {
  var scope = scopeIn(null), made = {parts: [], at: 0};
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
      bits = fillBits(made.at, node.unit);
      made.parts.push({leaf: this.leaf(node, node.slot, bits, made.at, indices, scope)});
      made.at += bits;
    } else if (node.part === 'repeat') {
      this.repeat(node, made, indices, scope);
    } else {
      this.option(node, made, indices, scope);
    }
  }
};

Reading.prototype.run = function (node, made, indices, scope) {
  var i, slot, leaf;
  if (node.word) { this.words.push({first: made.at, last: made.at + node.size, bits: node.word}); }
  for (i = 0; i < node.slots.length; i += 1) {
    slot = node.slots[i];
    leaf = this.leaf(node, slot, slot.bits, made.at, indices, scope);
    made.parts.push({leaf: leaf});
    if (slot.most !== undefined && compare(leaf.raw, slot.most) > 0) {
      throw failedAt(leaf, 'bad count', 'is ' + decimal(leaf.raw) + ', more than ' + slot.most);
    }
  }
  made.at += node.size;
};

Reading.prototype.leaf = function (run, slot, bits, at, indices, scope) {
  var leaf = leafAt(run, slot, bits, at, indices, scope, this.leaves.length), last = slot.at + bits;
  (slot.split || []).forEach(function (part) { last = Math.max(last, part[0] + part[1]); });
  if (run.word) { last = Math.ceil(last / run.word) * run.word; } // a code is there when its words are
  if (at + last > this.end) {
    throw failedAt(leaf, 'truncated', 'is not whole in ' + this.octets.length + ' bytes');
  }
  leaf.raw = signedCode(slot, readCode(this.octets, leaf.start, leaf.places, bits), bits);
  this.leaves.push(leaf);
  scope.leaves[slot.number] = leaf;
  return leaf;
};

Reading.prototype.repeat = function (node, made, indices, scope) {
  var path = located(node.address, indices), count = node.count, elements = [], i, inner;
  if (node.by !== undefined) { count = leafOf(scope, node.by).raw; }
  if (count === undefined) {
    count = Math.floor(Math.max(0, this.end - (node.trailer || 0) - made.at) / node.least);
    if (node.most !== undefined && count > node.most) {
      throw new DecodeError('bad count', path + ' has ' + count + ' elements, more than ' + node.most, path, made.at);
    }
  }
  if (compare(plus(made.at, times(count, node.least)), this.end) > 0) {
    throw new DecodeError('truncated', this.octets.length + ' bytes cannot hold ' + decimal(count) + ' of ' + path, path, made.at);
  }
  for (i = 0; i < count; i += 1) {
    inner = {parts: [], at: made.at};
    this.nodes(node.nodes, inner, indices.concat(i), scopeIn(scope));
    made.at = inner.at;
    elements.push(inner.parts);
  }
  made.parts.push({node: node, elements: elements});
};

Reading.prototype.option = function (node, made, indices, scope) {
  var inner = null;
  if (holds(leafOf(scope, node.by).raw, node.codes)) {
    inner = {parts: [], at: made.at};
    this.nodes(node.nodes, inner, indices, scope);
    made.at = inner.at;
  }
  made.parts.push({node: node, body: inner && inner.parts});
};

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

Reading.prototype.failedCheck = function () {
  var octets = this.octets, i;
  if (octets.length !== this.used) { octets = [].slice.call(octets, 0, this.used); }
  for (i = 0; i < this.leaves.length; i += 1) {
    if (this.leaves[i].slot.check && compare(checkValue(this.leaves[i], octets, this.words), this.leaves[i].raw)) { return this.leaves[i]; }
  }
  return null;
};

function plainOf(parts, bare) {
  var made = {}, i, part;
  function inner(one) { return plainOf(one, part.node.bare); }
  for (i = 0; i < parts.length; i += 1) {
    part = parts[i];
    if (part.leaf) {
      if (!part.leaf.slot.hidden) { put(made, part.leaf.slot.path, meaningOf(part.leaf.slot, part.leaf.raw).value); }
    } else if (part.elements) {
      put(made, part.node.path, part.elements.map(inner));
    } else {
      put(made, part.node.path, part.body && inner(part.body));
    }
  }
  return bare ? made[''] : made;
}

function detailOf(parts, bare, trusted) {
  var made = {}, i, part;
  function inner(one) { return detailOf(one, part.node.bare, trusted); }
  for (i = 0; i < parts.length; i += 1) {
    part = parts[i];
    if (part.leaf) {
      if (part.leaf.bits) { put(made, part.leaf.slot.path, leafDetail(part.leaf, trusted)); }
    } else if (part.elements) {
      put(made, part.node.path, part.elements.map(inner));
    } else {
      put(made, part.node.path, part.body && inner(part.body));
    }
  }
  return bare ? made[''] : made;
}

function leafDetail(leaf, trusted) {
  var found = meaningOf(leaf.slot, leaf.raw), made = {raw: shownWhole(leaf.slot, leaf.raw), value: found.value};
  if (leaf.slot.unit) { made.unit = leaf.slot.unit; }
  if (found.reason) { made.reason = found.reason; }
  if (found.note) { made.note = found.note; }
  if (limitBeyond(leaf.slot.limits, found.value)) { made.limit = limitBeyond(leaf.slot.limits, found.value); }
  if (!trusted) { made.trusted = false; }
  return made;
}

function decodeFrame(frame, octets, options) {
  var reading = new Reading(frame, octets), trusted, detail, record;
  options = options || {};
  reading.read();
  trusted = reading.judge(options);
  detail = Boolean(options.detail || options.salvage);
  record = detail ? detailOf(reading.parts, false, trusted) : plainOf(reading.parts, false);
  if (frame.derived) { derive(frame.derived, [record], detail, trusted); }
  return {record: record, used: reading.used};
}
"""

ENCODE = r"""
// -- from a record to a frame --

var BROKEN = {}; // inside a group whose own fault is already noted

function isMapping(value) { return typeof value === 'object' && value !== null && !Array.isArray(value); }

function joined(address, key) { return address && key ? address + '.' + key : address || key; }

// Encoding one record: every slot gets its code and its place; faults are gathered, in wire order.
function Writing(frame) {
  this.frame = frame;
  this.faults = [];
  this.leaves = [];
  this.states = [];
  this.words = [];
}

Writing.prototype.fault = function (path, rule, message, order) {
  order = order === undefined ? this.leaves.length : order;
  this.faults.push({order: order, at: this.faults.length, path: path, rule: rule, message: message});
};

Writing.prototype.take = function (record) {
  var end, i;
  if (!isMapping(record)) {
    this.fault('', 'wrong-type', 'a record is a mapping, not ' + shown(record));
    return 0;
  }
  end = this.container(this.frame.nodes, record, false, 0, [], scopeIn(null), '');
  for (i = 0; i < this.leaves.length; i += 1) { this.settle(this.leaves[i], this.states[i]); }
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
  if (!bare && given !== BROKEN) { this.unknown(given, shapeOf(nodes), address); }
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
    bits = fillBits(at, node.unit);
    value = this.find(into, node.slot.path);
    this.leaf(leafAt(node, node.slot, bits, at, indices, scope, this.leaves.length), value);
    return at + bits;
  }
  value = this.find(into, node.path);
  return node.part === 'repeat' ? this.repeat(node, value, at, indices, scope) : this.option(node, value, at, indices, scope);
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
  nodes.forEach(function (node) {
    if (node.part === 'run') {
      node.slots.forEach(function (slot) { add(slot.path); });
    } else {
      add(node.part === 'fill' ? node.slot.path : node.path);
    }
  });
  nodes.shape = made;
  return made;
}

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
  var address = located(node.address, indices), i;
  if (value === undefined) {
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
  for (i = 0; i < value.length; i += 1) {
    at = this.container(node.nodes, value[i], node.bare, at, indices.concat(i), scopeIn(scope), address + '[' + i + ']');
  }
  return at;
};

// Whether a list may have so many elements; the field that counts them is told of it.
Writing.prototype.length = function (node, count, address, scope) {
  var most = node.most === undefined ? Infinity : node.most, counter, state;
  if (node.count !== undefined) {
    if (count !== node.count) { this.fault(address, 'wrong-length', 'has ' + count + ' elements, not ' + node.count); }
    return count === node.count;
  }
  if (node.by !== undefined) {
    counter = leafOf(scope, node.by);
    most = Math.min(most, counter.slot.most === undefined ? Infinity : counter.slot.most, power(counter.bits) - 1);
    state = this.states[counter.order];
    if (count <= most) {
      state.demands.push({address: address, order: this.leaves.length, count: count});
    } else {
      state.broken = true;
    }
  }
  if (count > most) { this.fault(address, 'wrong-length', 'has ' + count + ' elements, but ' + most + ' at most can be sent'); }
  return count <= most;
};

Writing.prototype.option = function (node, value, at, indices, scope) {
  var address = located(node.address, indices), teller = leafOf(scope, node.by), state = this.states[teller.order], present;
  if (value === BROKEN) { return at; }
  present = value !== undefined && value !== null;
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
  var first = node.nodes[0];
  return Boolean(node.bare && first && first.part === 'run' && missingCode(first.slots[0]) !== undefined);
}

Writing.prototype.leaf = function (leaf, value) {
  var state = {given: value !== undefined && value !== BROKEN, broken: value === BROKEN, demands: [], raised: false}, raw;
  if (value === undefined) {
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
  if (kind === 'constant' || kind === 'sync' || (kind === 'tag' && slot.hidden)) {
    leaf.raw = slot.codes[0][0];
  } else if (slot.preset !== undefined) {
    leaf.raw = slot.preset;
  } else if (missingCode(slot) !== undefined) {
    leaf.raw = missingCode(slot);
  } else if (kind !== 'count' && kind !== 'reserved' && kind !== 'check' && this.frame.asked.indexOf(slot.number) < 0) {
    state.broken = true;
    this.fault(addressOf(leaf), 'missing-key', 'is not given');
    return;
  }
  if (kind !== 'flag' && kind !== 'count' && kind !== 'check') { state.given = true; } // nothing that follows can change it
};

// The code of a given value, or undefined where a fault was noted.
Writing.prototype.raw = function (leaf, value) {
  var slot = leaf.slot, outcome;
  if (isMapping(value) && own(value, 'raw') !== undefined) { return this.givenRaw(leaf, value.raw); }
  outcome = toRaw(slot, value, leaf.bits);
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
  if (!holds(code, [limitsOf(leaf.slot, leaf.bits)])) {
    this.fault(addressOf(leaf), 'raw-range', 'raw is ' + shown(raw) + ', which does not fit ' + leaf.bits + ' bits');
    return undefined;
  }
  return this.agreeing(leaf, code || 0);
};

Writing.prototype.agreeing = function (leaf, raw) {
  var slot = leaf.slot;
  if (slot.codes && slot.hidden && !holds(raw, slot.codes)) {
    this.fault(addressOf(leaf), 'disagrees', decimal(raw) + ' is given, but it is always ' + decimal(slot.codes[0][0]) + '. Leave it out');
    return undefined;
  }
  if (slot.most !== undefined && compare(raw, slot.most) > 0) {
    this.fault(addressOf(leaf), 'out-of-range', decimal(raw) + ' is given, but ' + slot.most + ' is the most');
    return undefined;
  }
  return raw;
};

// Bring a slot and what is asked of it together.
Writing.prototype.settle = function (leaf, state) {
  var counts, first;
  if (state.broken) { return; }
  counts = state.demands.filter(function (one) { return one.count !== undefined; });
  if (counts.length) { this.settleCount(leaf, state, counts); }
  if (!state.given && leaf.slot.kind === 'flag' && counts.length < state.demands.length) {
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
  var first = counts[0], self = this;
  counts.forEach(function (one) {
    if (one.count !== first.count) {
      self.fault(one.address, 'disagrees', 'has ' + one.count + ' elements, but ' + first.address + ' has ' + first.count, one.order);
    }
  });
  if (state.given && leaf.raw !== first.count) {
    this.fault(addressOf(leaf), 'disagrees', decimal(leaf.raw) + ' is given, but ' + first.address + ' has ' + first.count, leaf.order);
  }
  leaf.raw = first.count;
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
      var value;
      if (leaf.slot.number !== number) { return; }
      value = checkValue(leaf, made, self.words);
      if (self.states[leaf.order].given && compare(leaf.raw, value)) {
        self.fault(addressOf(leaf), 'disagrees', decimal(leaf.raw) + ' is given, but the frame makes it ' + decimal(value), leaf.order);
      }
      write(leaf, value);
    });
  });
  this.refuse();
  return made;
};

function encodeFrame(frame, record) {
  var writing = new Writing(frame), end;
  end = writing.take(frame.derived ? lessDerived(frame.derived, record) : record);
  writing.refuse();
  return writing.octets(end);
}
"""

DERIVED = r"""
// -- values that are worked out from others: they have no bits --

function heldAt(container, path) {
  var i;
  for (i = 0; i < path.length && container !== null && container !== undefined; i += 1) { container = own(container, path[i]); }
  return container === undefined ? null : container;
}

function finite(value) {
  if (value - value !== 0) { throw 'not finite'; }
  return value;
}

// The number of a tree: a number, ['of', place], [sign, left, right] or [function, ...]. Throws the reason why there is none.
function evaluated(tree, given) {
  var sign, parts, best, i;
  if (typeof tree === 'number') { return tree; }
  sign = tree[0];
  if (sign === 'of') { return given[tree[1]]; }
  parts = tree.slice(1).map(function (one) { return evaluated(one, given); });
  if (sign === '+') { return finite(parts[0] + parts[1]); }
  if (sign === '-') { return parts.length > 1 ? finite(parts[0] - parts[1]) : -parts[0]; }
  if (sign === '*') { return finite(parts[0] * parts[1]); }
  if (sign === '/') {
    if (parts[1] === 0) { throw 'division by zero'; }
    return finite(parts[0] / parts[1]);
  }
  if (sign === 'abs') { return Math.abs(parts[0]); }
  if (sign === 'sqrt') {
    if (parts[0] < 0) { throw 'root of a negative number'; }
    return Math.sqrt(parts[0]);
  }
  best = parts[0];
  for (i = 1; i < parts.length; i += 1) {
    if (sign === 'min' ? parts[i] < best : parts[i] > best) { best = parts[i]; }
  }
  return best;
}

function workedOut(step, stack, detail) { // {value, reason}
  var given = [], i, found;
  for (i = 0; i < step.operands.length; i += 1) {
    found = heldAt(stack[stack.length - 1 - step.operands[i][0]], step.operands[i][1]);
    if (detail && found !== null) { found = found.value; }
    if (found === null) { return {value: null, reason: 'no ' + step.names[i]}; }
    given.push(Number(found));
    if (given[i] - given[i] !== 0) { return {value: null, reason: 'not finite'}; }
  }
  try {
    return {value: evaluated(step.tree, given) + 0, reason: ''};
  } catch (reason) {
    return {value: null, reason: reason};
  }
}

function derive(plan, stack, detail, trusted) {
  var here = stack[stack.length - 1];
  plan.steps.forEach(function (step) {
    var found = workedOut(step, stack, detail), made = {value: found.value};
    if (step.unit) { made.unit = step.unit; }
    if (found.reason) { made.reason = found.reason; }
    if (limitBeyond(step.limits, found.value)) { made.limit = limitBeyond(step.limits, found.value); }
    made.derived = true;
    if (!trusted) { made.trusted = false; }
    put(here, step.path, detail ? made : found.value);
    keepOrder(here, step);
  });
  plan.inner.forEach(function (one) {
    var held = heldAt(here, one.path);
    if (held === null) { return; }
    (one.list ? held : [held]).forEach(function (inside) { derive(one.plan, stack.concat([inside]), detail, trusted); });
  });
}

function keepOrder(container, step) { // what is declared after a value stands after it
  step.path.forEach(function (key, depth) {
    step.later[depth].forEach(function (other) {
      var held = own(container, other);
      if (held !== undefined) {
        delete container[other];
        container[other] = held;
      }
    });
    container = container[key];
  });
}

function lessDerived(plan, record) {
  var made;
  if (!isMapping(record)) { return record; }
  made = lessPaths(record, plan.steps.map(function (step) { return step.path; }));
  plan.inner.forEach(function (one) {
    if (one.path.length) { made = changedAt(made, one.path, function (held) { return lessInside(one.plan, held); }); }
  });
  return made;
}

function lessInside(plan, held) {
  var isList = !plan.steps.length && plan.inner.every(function (one) { return !one.path.length; }); // an option that is a list
  if (!Array.isArray(held)) { return lessDerived(plan, held); }
  return held.map(function (one) { return lessDerived(isList ? plan.inner[0].plan : plan, one); });
}

function lessPaths(record, paths) { // a group that is empty then is left out
  var made = {};
  Object.keys(record).forEach(function (key) {
    var mine = paths.filter(function (path) { return path[0] === key; }), inner = record[key];
    if (mine.some(function (path) { return path.length === 1; })) { return; }
    if (mine.length && isMapping(inner)) {
      inner = lessPaths(inner, mine.map(function (path) { return path.slice(1); }));
      if (!Object.keys(inner).length && Object.keys(record[key]).length) { return; }
    }
    made[key] = inner;
  });
  return made;
}

function changedAt(record, path, change) {
  var made = {};
  if (!isMapping(record) || own(record, path[0]) === undefined) { return record; }
  Object.keys(record).forEach(function (key) { made[key] = record[key]; });
  made[path[0]] = path.length === 1 ? change(record[path[0]]) : changedAt(record[path[0]], path.slice(1), change);
  return made;
}
"""

MISSION = r"""
// -- which frame is it? --

function agrees(marker, octets) { // true also where the bytes end before it
  var code = 0, i, bit;
  for (i = 0; i < marker.bits.length; i += 1) {
    for (bit = marker.bits[i][0]; bit <= marker.bits[i][1]; bit += 1) {
      if (bit >= octets.length * 8) { return true; }
      code = plus(times(code, 2), octets[(bit - bit % 8) / 8] >>> 7 - bit % 8 & 1);
    }
  }
  return holds(code, marker.codes);
}

function claims(frame, octets) {
  return !frame.outside && frame.told.every(function (marker) { return agrees(marker, octets); });
}

function hasLength(frame, length) {
  return frame.lengths.some(function (one) { return one[0] <= length && length <= one[1] && (length - one[0]) % one[2] === 0; });
}

// The frame that these bytes claim to be: by constants and tags, and by length where those do not decide.
function identify(octets) {
  var claimed = FRAMES.filter(function (frame) { return claims(frame, octets); }), fitting;
  if (claimed.length > 1) {
    fitting = claimed.filter(function (frame) { return hasLength(frame, octets.length); });
    claimed = fitting.length ? fitting : claimed;
  }
  if (claimed.length !== 1) {
    throw new DecodeError('unknown', octets.length + ' bytes ' + (claimed.length ? 'may be ' : 'are none of ') +
      (claimed.length ? claimed : FRAMES).map(function (frame) { return frame.name; }).join(', '));
  }
  return claimed[0];
}
"""

SECTIONS = (
    WHOLE,
    BITS,
    VALUES,
    CURVES,
    CODINGS,
    IEEE,
    TO_RAW,
    WALK,
    CHECKS,
    DECODE,
    ENCODE,
    DERIVED,
    MISSION,
)
