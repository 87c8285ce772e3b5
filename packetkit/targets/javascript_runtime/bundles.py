"""Samples in a row as one code."""

from __future__ import annotations

BUNDLES = r"""
// -- bundles: a sample's code and differences, as one code --

function widthsOf(bundle) { // of the first code and the differences; with missing samples each sample has one
  var made = [bundle.sample.bits], count = bundle.samples + (missingCode(bundle.sample) === undefined ? 0 : 1);
  while (made.length < count) { made.push(bundle.width); }
  return made;
}

function turned(bundle, code, bits) {
  var made = 0, next, left;
  if (!bundle.octets_reversed || bits < 9) { return code; }
  for (left = bits; left > 0; left -= 8) {
    next = floorOver(code, 256);
    made = plus(times(made, 256), minus(code, times(next, 256)));
    code = next;
  }
  return made;
}

function codesOfBundle(bundle, raw) {
  var widths = widthsOf(bundle), codes = [];
  function take(at) {
    var next = floorOver(raw, SIZES[widths[at]]), code = turned(bundle, minus(raw, times(next, SIZES[widths[at]])), widths[at]);
    codes[at] = signedCode({signed: at ? true : bundle.sample.signed}, code, widths[at]);
    raw = next;
  }
  widths.forEach(function (bits, at) { take(bundle.first_low ? at : widths.length - 1 - at); });
  return codes;
}

function rawOfBundle(bundle, codes) {
  var widths = widthsOf(bundle), raw = 0;
  function add(at) { raw = plus(times(raw, SIZES[widths[at]]), turned(bundle, unsignedCode(codes[at], widths[at]), widths[at])); }
  widths.forEach(function (bits, at) { add(bundle.first_low ? widths.length - 1 - at : at); });
  return raw;
}

function magnitude(n) { return isNegative(n) ? negated(n) : n; }

function noStep(bundle) { return negated(SIZES[bundle.width - 1]); } // the difference of a missing sample

function bundleMeaning(bundle, raw) { // {value, reason, note}
  var codes = codesOfBundle(bundle, raw), code = codes.shift(), missing = missingCode(bundle.sample), found = [], isNothing;
  if (missing === undefined) { found.push(sampleMeaning(bundle, code, false)); }
  isNothing = missing !== undefined && !compare(code, missing);
  codes.forEach(function (step) {
    var isNone = isNothing || (missing !== undefined && !compare(step, noStep(bundle)));
    if (!isNone) { code = plus(code, step); }
    found.push(sampleMeaning(bundle, isNone ? undefined : code, compare(magnitude(step), bundle.largest) > 0));
  });
  return {
    value: found.map(function (one) { return one.value; }), reason: toldOf(found.map(function (one) { return one.reason || ''; })),
    note: toldOf(found.map(function (one) { return one.note || ''; }))
  };
}

// code undefined: the sample is missing. isFar: its step is larger than declared.
function sampleMeaning(bundle, code, isFar) {
  var sample = bundle.sample, found;
  if (code === undefined) { return {value: null, reason: sample.specials[0][3] || 'missing'}; }
  if (holds(code, [limitsOf(sample, sample.bits)])) {
    found = meaningOf(sample, code);
  } else {
    found = bundle.meant ? {value: null, reason: 'unassigned'} : {value: linear(sample, code), note: 'out_of_range'};
  }
  if (found.reason) { found.note = ''; } else if (isFar) { found.note = 'out_of_range'; }
  return found;
}

// Words by their samples: `missing at 2, 5 to 7`; of all samples the word alone.
function toldOf(words) {
  var texts = [];
  if (words.every(function (word) { return word === words[0]; })) { return words[0]; }
  words.forEach(function (word, at) {
    var runs = [];
    if (!word || words.indexOf(word) < at) { return; }
    words.forEach(function (other, n) {
      if (other === word) {
        if (n && words[n - 1] === word) { runs[runs.length - 1][1] = n; } else { runs.push([n, n]); }
      }
    });
    texts.push(word + ' at ' + runs.map(function (run) { return run[0] === run[1] ? run[0] : run[0] + ' to ' + run[1]; }).join(', '));
  });
  return texts.join('; ');
}

function fromSamples(slot, value) { // {raw, clamped} or {fault}
  var bundle = slot.bundle, wrong = null, clamped = false, codes;
  if (!Array.isArray(value)) { return {fault: fault('wrong-type', shown(value) + ' is not a list of ' + bundle.samples + ' samples')}; }
  if (value.length !== bundle.samples) {
    return {fault: fault('wrong-length', 'has ' + value.length + ' samples, not ' + bundle.samples + '. The oldest comes first')};
  }
  codes = value.map(function (one, at) {
    var found = toRaw(bundle.sample, one, bundle.sample.bits);
    if (found.fault && !wrong) { wrong = {fault: fault(found.fault.rule, 'sample ' + at + ': ' + found.fault.message)}; }
    clamped = clamped || found.clamped;
    return found.raw;
  });
  return wrong || fromSampleCodes(slot, codes, clamped);
}

function fromSampleCodes(slot, codes, clamped) {
  var bundle = slot.bundle, missing = missingCode(bundle.sample), wrong = null, sent, reference;
  function isThere(code) { return missing === undefined || compare(code, missing) !== 0; }
  reference = codes.filter(isThere)[0];
  if (reference === undefined) { return {raw: bundle.nothing, clamped: clamped}; }
  sent = [reference];
  codes.forEach(function (code, at) {
    var step = minus(code, reference);
    if (missing === undefined && !at) { return; }
    if (isThere(code) && compare(magnitude(step), bundle.largest) > 0) {
      wrong = wrong || fault('out-of-range', 'sample ' + at + ': ' + decimal(step) +
        ' codes in a step, and ' + bundle.largest + ' is the most');
      step = isNegative(step) ? negated(bundle.largest) : bundle.largest;
      clamped = true;
    }
    sent.push(isThere(code) ? step : noStep(bundle));
    if (isThere(code)) { reference = plus(reference, step); }
  });
  return wrong && slot.policy !== 'clamp' ? {fault: wrong} : {raw: rawOfBundle(bundle, sent), clamped: clamped};
}
"""
