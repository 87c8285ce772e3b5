"""Which frame is it?"""

from __future__ import annotations

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
