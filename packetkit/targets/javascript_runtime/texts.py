"""Texts and octets: characters in a row, and the digits of one number."""

from __future__ import annotations

CHARACTERS = r"""
// -- characters and their codes --

function charactersOf(text) { return text.match(/[\uD800-\uDBFF][\uDC00-\uDFFF]|[^]/g) || []; }

function numbersOf(characters, text) { // characters: [code, character]
  var wrong, codes;
  codes = charactersOf(text).map(function (character) {
    var found = characters.filter(function (pair) { return pair[1] === character; })[0];
    if (!found) { wrong = character; }
    return found && found[0];
  });
  return wrong === undefined ? codes : fault('out-of-range', shown(wrong) + ' is not in its alphabet');
}
"""

TEXTS = r"""
// -- texts and octets: codes in a row as one value --

function hexOf(octets) { return octets.map(function (one) { return (one < 16 ? '0' : '') + one.toString(16); }).join(''); }

// Octets as an array: of a Uint8Array, or of hexadecimal text; undefined for anything else.
function octetsGiven(value) {
  if (Object.prototype.toString.call(value) === '[object Uint8Array]') { return [].slice.call(value); }
  if (typeof value !== 'string' || !(/^([0-9a-fA-F]{2})*$/.test(value))) { return undefined; }
  return (value.match(/../g) || []).map(function (pair) { return parseInt(pair, 16); });
}

function joinedValue(joined, codes) { // {value, reason}
  var held = codes.slice(), text;
  if (joined.form === 'bits') {
    while (held.length % 8) { held.push(0); }
    return {value: hexOf(codes.map(function (bit, at) { return at % 8 ? -1 : parseInt(held.slice(at, at + 8).join(''), 2); })
      .filter(function (octet) { return octet >= 0; }))};
  }
  if (joined.end !== undefined && held.indexOf(joined.end) >= 0) { held = held.slice(0, held.indexOf(joined.end)); }
  while (held.length && held[held.length - 1] === joined.fill) { held.pop(); }
  if (joined.form === 'bytes') { return {value: hexOf(held)}; }
  text = joined.form === 'alphabet' ? spelledOut(joined, held) : decoded(joined, held);
  return text === null ? {value: null, reason: 'bad character'} : {value: text};
}

function spelledOut(joined, codes) {
  var known = {}, isKnown = true, text;
  joined.characters.forEach(function (pair) { known[pair[0]] = pair[1]; });
  text = codes.map(function (code) {
    isKnown = isKnown && known[code] !== undefined;
    return known[code];
  }).join('');
  return isKnown ? text : null;
}

function decoded(joined, octets) {
  if (joined.form === 'ascii' && octets.some(function (one) { return one > 127; })) { return null; }
  try {
    return decodeURIComponent(hexOf(octets).replace(/../g, '%$&'));
  } catch (error) {
    return null;
  }
}

function joinedDetail(joined, codes, trusted) {
  var found = joinedValue(joined, codes), made;
  made = {raw: joined.form === 'alphabet' || joined.form === 'bits' ? codes : hexOf(codes), value: found.value};
  if (found.reason) { made.reason = found.reason; }
  if (!trusted) { made.trusted = false; }
  return made;
}

// The codes of a value, as elements; BROKEN where a fault was noted.
Writing.prototype.joined = function (node, value, address) {
  var found;
  if (value === undefined) {
    found = fault('missing-key', 'is not given. Give text or octets, empty if there is nothing to send');
  } else if (isMapping(value) && own(value, 'raw') !== undefined) {
    found = rawCodes(node, value.raw);
  } else {
    found = codesOf(node.joined, value, node.count);
  }
  if (found.rule) {
    this.fault(address, found.rule, found.message);
    return BROKEN;
  }
  return found.map(function (code) { return {raw: code}; });
};

function codesOf(joined, value, count) { // an array, or a fault
  var codes = codesOfValue(joined, value);
  if (codes.rule) { return codes; }
  if (joined.end !== undefined && codes.indexOf(joined.end) >= 0) {
    return fault('out-of-range', 'holds code ' + joined.end + ', which ends the text');
  }
  if (count === undefined || codes.length === count) { return codes; }
  if (codes.length > count || (joined.end === undefined && joined.fill === undefined)) {
    return fault('wrong-length', 'has ' + codes.length + ' characters, not ' + count);
  }
  if (joined.end !== undefined) { codes.push(joined.end); }
  while (codes.length < count) { codes.push(joined.fill === undefined ? joined.end : joined.fill); }
  return codes;
}

function codesOfValue(joined, value) {
  var octets;
  if (joined.form === 'bytes' || joined.form === 'bits') {
    octets = octetsGiven(value);
    if (!octets) { return fault('wrong-type', shown(value) + ' is neither a Uint8Array nor hexadecimal text'); }
    return joined.form === 'bits' ? bitsOf(octets, joined.spare || 0) : octets;
  }
  if (typeof value !== 'string') { return fault('wrong-type', shown(value) + ' is not a text'); }
  if (joined.form === 'alphabet') { return numbersOf(joined.characters, value); }
  if (joined.form === 'ascii' && /[^\x00-\x7f]/.test(value)) { return fault('out-of-range', shown(value) + ' is not in ASCII'); }
  try {
    return unescape(encodeURIComponent(value)).split('').map(function (one) { return one.charCodeAt(0); });
  } catch (error) {
    return fault('out-of-range', shown(value) + ' has half a character');
  }
}

function bitsOf(octets, spare) {
  var bits = [], left;
  octets.forEach(function (octet) {
    var shift;
    for (shift = 7; shift >= 0; shift -= 1) { bits.push(octet >>> shift & 1); }
  });
  left = bits.splice(Math.max(0, bits.length - spare), spare);
  if (left.length < spare || left.indexOf(1) >= 0) { return fault('wrong-length', 'its last ' + spare + ' bits are not sent: zero'); }
  return bits;
}

function rawCodes(node, raw) { // octets, or a list of codes, as they are
  var codes = octetsGiven(raw) || raw, most = power(node.least) - 1;
  if (!Array.isArray(codes) || codes.some(function (one) { return typeof one !== 'number' || one !== Math.floor(one); })) {
    return fault('wrong-type', 'raw is ' + shown(raw) + ', neither octets nor a list of codes');
  }
  if (codes.some(function (one) { return one < 0 || one > most; })) {
    return fault('raw-range', 'raw holds a code that is not 0 to ' + most);
  }
  return node.joined.form !== 'bits' || (codes.length + (node.joined.spare || 0)) % 8 === 0 ? codes :
    fault('wrong-length', 'raw is no whole octets');
}
"""

DIGITS = r"""
// -- texts that are the digits of one number --

function fromDigits(digits, raw) { // {value, reason}
  var signs = charactersOf(digits.characters), found = [], base = signs.length, rest = raw, next;
  while (found.length < digits.length) {
    next = floorOver(rest, base);
    found.push(minus(rest, times(next, base)));
    rest = next;
  }
  if (compare(rest, 0)) { return {value: null, reason: 'bad character'}; }
  if (!digits.first_low) { found.reverse(); }
  while (found.length && found[found.length - 1] === digits.fill) { found.pop(); }
  return {value: found.map(function (one) { return signs[one]; }).join('')};
}

function toDigits(digits, value) { // {raw} or {fault}
  var signs = charactersOf(digits.characters), codes, base = signs.length;
  if (typeof value !== 'string') { return {fault: fault('wrong-type', shown(value) + ' is not a text')}; }
  codes = numbersOf(signs.map(function (sign, code) { return [code, sign]; }), value);
  if (codes.rule) { return {fault: codes}; }
  if (codes.length > digits.length || (codes.length < digits.length && digits.fill === undefined)) {
    return {fault: fault('wrong-length', 'has ' + codes.length + ' characters, not ' + digits.length)};
  }
  while (codes.length < digits.length) { codes.push(digits.fill); }
  if (digits.first_low) { codes.reverse(); }
  return {raw: codes.reduce(function (raw, code) { return plus(times(raw, base), code); }, 0)};
}
"""
