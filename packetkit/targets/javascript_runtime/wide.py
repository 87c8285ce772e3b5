"""Codes of more than 64 bits: those of bundles and of checks."""

from __future__ import annotations

WIDE = r"""
// -- codes of more than 64 bits --

function readWide(octets, start, places) {
  return places.reduce(function (code, piece) {
    return plus(times(code, SIZES[piece[2]]), octets[start + piece[0]] >>> piece[1] & (1 << piece[2]) - 1);
  }, 0);
}

function writeWide(octets, start, places, code) {
  var i, piece, next, part;
  for (i = places.length - 1; i >= 0; i -= 1) {
    piece = places[i];
    next = floorOver(code, SIZES[piece[2]]);
    part = minus(code, times(next, SIZES[piece[2]]));
    octets[start + piece[0]] = octets[start + piece[0]] & ~((1 << piece[2]) - 1 << piece[1]) | part << piece[1];
    code = next;
  }
}

function lowestBits(n, bits) { // the lowest ones of a whole number, the most significant first
  var limbs = limbsOf(n), made = [], i;
  for (i = bits - 1; i >= 0; i -= 1) { made.push(limbs[Math.floor(i / 24)] >>> i % 24 & 1); }
  return made;
}

function wholeOf(bits) { return bits.reduce(function (n, bit) { return plus(times(n, 2), bit); }, 0); }

function wideMixture(a, b, bits) { // by exclusive or, the lowest bits
  var other = lowestBits(b, bits);
  return wholeOf(lowestBits(a, bits).map(function (bit, i) { return bit ^ other[i]; }));
}

// As crc, its register bit by bit, its highest power first.
function wideCrc(algorithm, fed, low, init) {
  var bits = algorithm.bits, register = lowestBits(init, bits), poly = lowestBits(algorithm.poly, bits), i, k, odd;
  for (i = 0; i < fed.bits; i += 1) {
    odd = register.shift() ^ (fed.octets[Math.floor(i / 8)] >>> (low ? i % 8 : 7 - i % 8) & 1);
    register.push(0);
    for (k = 0; odd && k < bits; k += 1) { register[k] ^= poly[k]; }
  }
  if (algorithm.reflect_out) { register.reverse(); }
  return wideMixture(wholeOf(register), algorithm.final_xor, bits);
}
"""
