"""Bits in octets."""

from __future__ import annotations

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
  var key = residue * 1000 + bits;
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
  if (bits > 64) { return readWide(octets, start, places); }
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
  var halves, half, done = 0, i, piece, mask;
  if (typeof code !== 'number' && bitsIn(code) > 64) { return writeWide(octets, start, places, code); }
  halves = halvesOf(code);
  half = halves[1];
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
  if (!slot.signed) { return [0, minus(bits > 64 ? shifted(1, bits) : SIZES[bits], 1)]; }
  half = SIZES[bits - 1];
  return [negated(half), minus(half, 1)];
}

function isContinued(slot) { return /^(continued|first_bits)/.test(slot.coding); }

// Of what is the same whatever a number's octets: its codes, and the numbers that these spell.
function codeLimits(leaf) { return limitsOf(leaf.slot, isContinued(leaf.slot) ? leaf.slot.bits : leaf.bits); }

function numberLimits(slot, bits) {
  return slot.first ? sizedLimits(slot.first) : isContinued(slot) ? continuedLimits(slot) : limitsOf(slot, bits);
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
