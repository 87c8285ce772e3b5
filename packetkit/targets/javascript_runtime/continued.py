"""Numbers of as many octets as they need, and lists whose elements say which is the last, both ways."""

from __future__ import annotations

CONTINUED = r"""
// -- numbers of as many octets as they need: seven bits in each, and an octet whose first bit is one is followed by another --

function partsOf(n, size) { // of a whole number, the low one first
  var made = [], rest = n, more;
  do {
    more = floorOver(rest, size);
    made.push(minus(rest, times(more, size)));
    rest = more;
  } while (compare(rest, 0));
  return made;
}

function joinedParts(parts, size) { // the low one first
  return parts.reduceRight(function (n, part) { return plus(times(n, size), part); }, 0);
}

function continuedNumber(slot, code) { // null where its octets do not end where they say
  var parts = partsOf(code, 256), last = parts[0], number;
  function isAstray(part, i) { return part > 127 !== i > 0; }
  if (parts.some(isAstray)) { return null; }
  parts = parts.map(function (part) { return part % 128; });
  number = joinedParts(slot.coding === 'continued_high_first' ? parts : parts.reverse(), 128);
  return slot.coding === 'continued_low_first_signed' && last > 63 ? minus(number, shifted(1, 7 * parts.length)) : number;
}

function continuedCode(slot, number) { // of the fewest octets
  var groups = [], isSigned = slot.coding === 'continued_low_first_signed', rest = number, more;
  for (;;) {
    more = floorOver(rest, 128);
    groups.push(minus(rest, times(more, 128)));
    if (isSigned ? compare(rest, -64) >= 0 && compare(rest, 64) < 0 : compare(rest, 128) < 0) { break; }
    rest = more;
  }
  if (slot.coding !== 'continued_high_first') { groups.reverse(); }
  return joinedParts(groups.map(function (group, i) { return i ? group + 128 : group; }), 256);
}

function continuedLimits(slot) {
  var bits = slot.bits / 8 * 7;
  return slot.coding === 'continued_low_first_signed' ? [negated(shifted(1, bits - 1)), minus(shifted(1, bits - 1), 1)] :
    [0, minus(shifted(1, bits), 1)];
}

Reading.prototype.continued = function (node, made, indices, scope) {
  var slot = node.slot, stop = this.stop(), end = made.at, leaf, path;
  if (slot.first) { end += this.toldSize(node, made.at, indices) - 8; } // as below: up to its last octet
  while (!slot.first && end + 8 <= stop && this.octets[end / 8] > 127) {
    end += 8;
    if (end - made.at === slot.bits) {
      path = located(slot.address || slot.path.join('.'), indices);
      throw new DecodeError('bad length', path + ' goes on after ' + slot.bits / 8 + ' octets', path, made.at);
    }
  }
  leaf = this.leaf(node, slot, end + 8 - made.at, made.at, indices, scope);
  made.parts.push({leaf: leaf});
  this.heed(leaf);
  made.at = end + 8;
};

Writing.prototype.continued = function (node, into, at, indices, scope) {
  var bits = this.sizes[this.leaves.length] || node.least;
  this.leaf(leafAt(node, node.slot, bits, at, indices, scope, this.leaves.length), this.find(into, node.slot.path));
  return at + bits;
};

// Whether all numbers that go on have the bits that they need; else the next writing is told how many that are.
Writing.prototype.isSettled = function () {
  var needed = {}, settled = true;
  this.leaves.forEach(function (leaf) {
    if (!isContinued(leaf.slot)) { return; }
    needed[leaf.order] = leaf.slot.first ? sizedBits(leaf.slot.first, leaf.raw) : 8 * Math.max(1, Math.ceil(bitsIn(leaf.raw) / 8));
    settled = settled && leaf.bits === needed[leaf.order];
  });
  this.sizes = needed;
  return settled;
};
"""

FIRST_BITS = r"""
// -- numbers whose first bits say by a table how many follow: forms are [low, high, bits, offset] --

Reading.prototype.toldSize = function (node, at, indices) {
  var slot = node.slot, first = slot.first, path = located(slot.address || slot.path.join('.'), indices), code, form;
  if (at + first.bits > this.stop()) { throw this.overrun(path, at, ' is not whole in ' + this.octets.length + ' bytes'); }
  code = readCode(this.octets, (at - at % 8) / 8, piecesOf(node, {at: 0}, first.bits, at % 8), first.bits);
  form = first.forms.filter(function (one) { return holds(code, [one]); })[0];
  if (!form) { throw new DecodeError('bad length', path + ' begins with ' + decimal(code) + ', none of its forms', path, at); }
  return first.bits + form[2];
};

function highestOf(form) { return plus(form[3], minus(times(form[1] - form[0] + 1, SIZES[form[2]]), 1)); }

function formOfCode(first, code) {
  return first.forms.filter(function (one) { return holds(floorOver(code, SIZES[one[2]]), [one]); })[0];
}

function sizedBits(first, code) { // of a code, of the shortest form where it is none
  var form = formOfCode(first, code);
  return first.bits + (form ? form[2] : Math.min.apply(null, first.forms.map(function (one) { return one[2]; })));
}

function sizedNumber(first, code) { // null where it is none
  var form = formOfCode(first, code), head;
  if (!form) { return null; }
  head = floorOver(code, SIZES[form[2]]);
  return plus(form[3], plus(times(minus(head, form[0]), SIZES[form[2]]), inTurn(first, minus(code, times(head, SIZES[form[2]])), form[2])));
}

function sizedCode(first, number) { // of the shortest form that has it
  var form = null, above, head;
  first.forms.forEach(function (one) {
    if (holds(number, [[one[3], highestOf(one)]]) && (!form || one[2] < form[2])) { form = one; }
  });
  above = minus(number, form[3]);
  head = floorOver(above, SIZES[form[2]]);
  return plus(times(plus(form[0], head), SIZES[form[2]]), inTurn(first, minus(above, times(head, SIZES[form[2]])), form[2]));
}

function inTurn(first, rest, bits) { // the octets that follow, where the low one comes first
  var parts;
  if (!first.turned) { return rest; }
  parts = partsOf(rest, 256);
  while (parts.length < bits / 8) { parts.push(0); }
  return joinedParts(parts.reverse(), 256);
}

function sizedLimits(first) {
  return first.forms.reduce(function (ends, one) {
    return [compare(one[3], ends[0]) < 0 ? one[3] : ends[0], compare(highestOf(one), ends[1]) > 0 ? highestOf(one) : ends[1]];
  }, [first.forms[0][3], 0]);
}
"""

ENDS = r"""
// -- lists whose elements say which is the last: node.ends is [what says so, its codes] --

Reading.prototype.isEnded = function (node, scope) { return holds(leafOf(scope, node.ends[0]).raw, node.ends[1]); };

Writing.prototype.askEnd = function (node, scope, address, isLast) {
  this.states[leafOf(scope, node.ends[0]).order].demands.push(
    {address: address, order: this.leaves.length, codes: node.ends[1], present: isLast});
};
"""
