"""Checks over bits."""

from __future__ import annotations

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

// The bits of spans as octets, behind codes that are fed in front, the last one filled with zeros: {octets, bits}.
function fedBits(check, octets, spans, front) {
  var fed = (check.also || []).slice(), bits = fed.length * 8, i, at, end;
  function feed(bit) {
    if (bits % 8 === 0) { fed.push(0); }
    fed[(bits - bits % 8) / 8] |= bit << (check.least_first ? bits % 8 : 7 - bits % 8);
    bits += 1;
  }
  front.forEach(feed);
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
      feed(octets[(at - at % 8) / 8] >>> (check.least_first ? at % 8 : 7 - at % 8) & 1);
      at += 1;
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
function crc(algorithm, fed, low, init) {
  var bits = algorithm.bits, key = low ? 'from_low' : 'from_high', step = low ? lowStep : highStep, poly, pair, table, at, i, entry;
  poly = low ? mirrored(halvesOf(algorithm.poly), bits) : leftAligned(algorithm.poly, bits);
  pair = low ? mirrored(halvesOf(init), bits) : leftAligned(init, bits);
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
  var check = leaf.slot.check, algorithm = check.algorithm, octets = frame, spans = [], i, fed, init, value, mixed;
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
    writeCode(octets, leaf.start, leaf.places, check.own === 'ones' ? limitsOf(leaf.slot, leaf.bits)[1] : 0);
  }
  fed = fedBits(check, octets, spans, check.front ? frontOf(leaf, frame) : []);
  if (algorithm.family === 'crc') {
    init = check.initial === undefined ? algorithm.init : codeOfTeller(leaf, check.initial);
    if (!check.in_wire_order) { fed.bits = fed.octets.length * 8; }
    value = (leaf.bits > 64 ? wideCrc : crc)(algorithm, fed, check.in_wire_order ? check.least_first : algorithm.reflect_in, init);
  } else {
    value = arithmeticCheck(algorithm, fed.octets);
  }
  if (check.zero_as_ones && !compare(value, 0)) { value = minus(shifted(1, leaf.bits), 1); }
  return mixedBits(leaf, value, check.mixed === undefined ? 0 : codeOfTeller(leaf, check.mixed), leaf.bits);
}

function codeOfTeller(leaf, number) { // as an unsigned one
  var other = leafOf(leaf.scope, number);
  return unsignedCode(other.raw, other.bits);
}

// Whether the codes are known that a check is computed from, besides its spans.
function isKnown(leaf) {
  return !(leaf.slot.check.fed || []).some(function (number) {
    var other = leafOf(leaf.scope, number);
    return other.isUnknown && !other.isRecovered;
  });
}

function isNotComputed(leaf) {
  return leaf.slot.check.not_computed !== undefined && !compare(leaf.raw, leaf.slot.check.not_computed);
}

function mixedBits(leaf, a, b, bits) { // the lowest ones of a check's code and another
  return leaf.bits > 64 ? wideMixture(a, b, bits) : lowBits(mixture(a, b), bits);
}

function mixture(a, b) { // by exclusive or, in halves
  a = halvesOf(a);
  b = halvesOf(b);
  return [(a[0] ^ b[0]) >>> 0, (a[1] ^ b[1]) >>> 0];
}

function lowBits(pair, bits) { return fromHalves(bits > 32 ? pair[0] % SIZES[bits - 32] : 0, bits > 31 ? pair[1] : pair[1] % SIZES[bits]); }

function markAt(leaf, mark, frame) {
  return mark[0] < 0 ? frame.length * 8 : startOf(leaf.scope, mark[0]) + mark[1];
}
"""
