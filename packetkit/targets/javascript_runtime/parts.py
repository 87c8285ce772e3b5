"""Parts that a length measures, variants, what is there when bytes remain, computed counts, both ways."""

from __future__ import annotations

LENGTHS = r"""
// -- parts that a length measures --

// Measured parts around what is read, the innermost last.
Reading.prototype.limits = [];

// Where the innermost part ends whose end is known: a measured one, else the frame.
Reading.prototype.stop = function () {
  var i;
  for (i = this.limits.length - 1; i >= 0; i -= 1) {
    if (this.limits[i].end !== undefined) { return this.limits[i].end; }
  }
  return this.end;
};

Reading.prototype.overrun = function (path, bit, words) {
  var isMeasured = this.limits.some(function (one) { return one.end !== undefined; });
  return new DecodeError(isMeasured ? 'bad length' : 'truncated', path + words, path, bit);
};

Reading.prototype.measured = function (node, made, indices, scope) {
  var limit = {node: node, start: made.at, address: located(node.address, indices) || this.frame.name}, teller = leafOf(scope, node.by);
  this.limits = this.limits.concat(limit);
  if (teller) { this.tell(limit, teller); }
  this.nodes(node.nodes, made, indices, scope);
  this.limits = this.limits.slice(0, -1);
  if (made.at !== limit.end) {
    throw new DecodeError('bad length', limit.address + ' has ' + (limit.end - limit.start) + ' bits by its length, and its fields ' +
      (made.at - limit.start), limit.address, Math.min(made.at, limit.end));
  }
};

// A length was read: parts that began without it end where it says.
Reading.prototype.measure = function (leaf) {
  this.limits.forEach(function (limit) {
    if (limit.node.by === leaf.slot.number && limit.end === undefined) { this.tell(limit, leaf); }
  }, this);
};

Reading.prototype.tell = function (limit, leaf) {
  var size = times(plus(numberIn(leaf), limit.node.less), limit.node.unit), rule = limit.node.uncounted, end, around;
  if (rule) { size = plus(size, times(-8 * rule[1], floorOver(negated(size), 8 * rule[0]))); } // what it does not count behind each block
  end = plus(limit.start, size);
  around = this.limits.slice(0, this.limits.indexOf(limit)).filter(function (one) { return one.end !== undefined; });
  if (compare(end, this.end) > 0 && !around.length) {
    throw new DecodeError('truncated', limit.address + ' does not end in ' + this.octets.length + ' bytes', limit.address, limit.start);
  }
  if (isNegative(size) || compare(end, around.length ? around.pop().end : this.end) > 0) {
    throw failedAt(leaf, 'bad length', 'says ' + decimal(size) + ' bits, for which ' + limit.address + ' has no room');
  }
  limit.end = end;
};

Writing.prototype.measured = function (node, into, at, indices, scope) {
  var before = this.faults.length, end = at, i, state;
  this.absent.push('');
  for (i = 0; i < node.nodes.length; i += 1) { end = this.node(node.nodes[i], into, end, indices, scope); }
  this.absent.pop();
  state = this.states[leafOf(scope, node.by).order];
  if (this.faults.length > before) { state.broken = true; } // a size is not that of what cannot be sent
  state.demands.push({address: located(node.address, indices), order: this.leaves.length, size: end - at, node: node});
  return end;
};

// How many of a measured part's bits are counted, and those at its end that can be neither counted nor not.
function countedBits(bits, rule) {
  var block, rest, last;
  if (!rule) { return [bits, 0]; }
  block = 8 * (rule[0] + rule[1]);
  rest = bits % block;
  last = Math.max(rest - 8 * rule[1], 0);
  return [(bits - rest) / block * 8 * rule[0] + last, rest - last - (last ? 8 * rule[1] : 0)];
}

// The code of a length, from the size of what it measures.
Writing.prototype.settleSize = function (leaf, state, demand) {
  var counted = countedBits(demand.size, demand.node.uncounted), units = counted[0] / demand.node.unit, number = units - demand.node.less;
  var said = numberIn(leaf), fits = holds(number, [numberLimits(leaf.slot, leaf.bits)]);
  if (counted[1] || units !== Math.floor(units) || !fits) {
    this.fault(demand.address, 'wrong-length', 'has ' + demand.size + ' bits, which ' + addressOf(leaf) + ' cannot say', demand.order);
  } else if (state.given && compare(said, number)) {
    this.fault(addressOf(leaf), 'disagrees', decimal(said) + ' is given, but what it measures makes it ' + number, leaf.order);
  }
  if (!state.given || compare(said, number)) { leaf.raw = fits ? spelled(leaf.slot, Math.floor(number)) : 0; }
};
"""

VARIANTS = r"""
// -- variants: one of several bodies --

Reading.prototype.choice = function (node, made, indices, scope) {
  var inner = {parts: [], at: made.at}, branch = this.branchOf(node, made.at, indices, scope);
  this.nodes(branch.nodes, inner, indices, scope);
  made.at = inner.at;
  made.parts.push({node: node, branch: branch, body: inner.parts});
};

// The variant that the telling codes mean, or that the caller named: decode(bytes, {variants: {address: name}}).
Reading.prototype.branchOf = function (node, at, indices, scope) {
  var path = located(node.address, indices), given = own(this.options.variants || {}, node.address), found;
  found = node.by.length ? toldBranch(node, scope) : node.branches.filter(function (one) { return one.name === given; })[0];
  if (!found) {
    throw new DecodeError('unknown variant', path + (node.by.length ? ' has no variant for its codes' : ' is told from outside: ' +
      namesOf(node)), path, at);
  }
  return found;
};

function toldBranch(node, scope) {
  var i;
  function agreesWith(codes, at) {
    var raw = leafOf(scope, node.by[at]).raw;
    return holds(node.turn ? minus(raw, times(floorOver(raw, node.turn), node.turn)) : raw, codes);
  }
  for (i = 0; i < node.branches.length; i += 1) {
    if (node.branches[i].codes.every(agreesWith)) { return node.branches[i]; }
  }
  return node.unknown;
}

function allOf(node) { return node.unknown ? node.branches.concat(node.unknown) : node.branches; }

function namesOf(node) { return allOf(node).map(function (one) { return one.name; }).join(', '); }

Writing.prototype.choice = function (node, value, at, indices, scope) {
  var address = located(node.address, indices), branch, self = this;
  function stateOfTeller(number) { return self.states[leafOf(scope, number).order]; }
  if (value !== BROKEN) {
    branch = takesTurns(node, value) ? this.turn(node, value, address, scope) : this.namedBranch(node, value, address);
  }
  if (!branch) {
    node.by.forEach(function (number) { stateOfTeller(number).broken = true; });
    return at;
  }
  this.choices.push({node: node, branch: branch, address: address, order: this.leaves.length, scope: scope});
  branch.codes.forEach(function (codes, i) {
    var code = node.turn ? null : singleCode(leafOf(scope, node.by[i]).slot, codes);
    if (code !== null) { stateOfTeller(node.by[i]).wanted.push(code); }
  });
  return this.container(branch.nodes, value[branch.name], branch.bare, at, indices, scope, joined(address, branch.name));
};

// The one code that some codes mean, the shortest of a number of varying size; null where they mean several.
function singleCode(slot, codes) {
  var number;
  if (codes.some(function (one) { return compare(one[0], one[1]); })) { return null; }
  if (!isContinued(slot)) { return codes.length === 1 ? codes[0][0] : null; }
  number = numberSpelled(slot, codes[0][0]);
  if (number === null || codes.some(function (one) { return compare(numberSpelled(slot, one[0]), number); })) { return null; }
  return codeOf(slot, number);
}

// Whether several variants of those that take turns are given, and nothing else: all but the one whose turn it is are ignored.
function takesTurns(node, value) {
  var names = node.branches.map(function (one) { return one.name; });
  return Boolean(node.turn) && isMapping(value) && Object.keys(value).length > 1 &&
    Object.keys(value).every(function (key) { return names.indexOf(key) >= 0; });
}

Writing.prototype.turn = function (node, value, address, scope) {
  var leaf = leafOf(scope, node.by[0]), branch = toldBranch(node, scope);
  if (!branch || this.states[leaf.order].broken) { return undefined; }
  if (own(value, branch.name) !== undefined) { return branch; }
  this.fault(joined(address, branch.name), 'missing-key', 'is not given, and ' + addressOf(leaf) + ' ' + decimal(leaf.raw) +
    ' is its turn');
  return undefined;
};

Writing.prototype.namedBranch = function (node, value, address) {
  var names = isMapping(value) ? Object.keys(value) : [], found;
  if (value === undefined) {
    this.fault(address, 'missing-key', 'is not given. Give one of its variants: ' + namesOf(node));
  } else if (names.length !== 1) {
    this.fault(address, 'wrong-type', shown(value) + ' is not a mapping with one variant: ' + namesOf(node));
  } else {
    found = allOf(node).filter(function (one) { return one.name === names[0]; })[0];
    if (!found) { this.fault(address, 'unknown-key', shown(names[0]) + ' is none of its variants: ' + namesOf(node)); }
  }
  return found;
};

// Whether the code of a slot that tells a variant is known: given, said by a variant, or to be told by what else follows.
Writing.prototype.isTold = function (leaf, state) {
  var isTold;
  if (!state.given && state.wanted.length) {
    leaf.raw = state.wanted[0];
    state.given = true;
  }
  isTold = state.given || /^(count|length)$/.test(leaf.slot.kind) || this.frame.asked.indexOf(leaf.slot.number) >= 0;
  if (!isTold) { this.fault(addressOf(leaf), 'missing-key', 'is not given', leaf.order); }
  return isTold;
};

// A variant is given that is not the one its codes mean.
Writing.prototype.holdChoice = function (one) {
  var self = this, broken, meant;
  broken = one.node.by.some(function (number) { return self.states[leafOf(one.scope, number).order].broken; });
  if (!one.node.by.length || broken || this.faults.length) { return; }
  meant = toldBranch(one.node, one.scope);
  if (meant !== one.branch) {
    this.fault(one.address, 'disagrees', one.branch.name + ' is given, but its codes mean ' + (meant ? meant.name : 'none'), one.order);
  }
};
"""

REMAINING = r"""
// -- what is there when bytes remain --

// Whether an option is there: behind one that is not, none can be.
Writing.prototype.remains = function (address, present) {
  if (!present) { this.absent.push(this.absent.pop() || address); }
  return present && this.follows(address);
};

// Whether anything can stand here that runs to the end: nothing does behind what no bytes remain for.
Writing.prototype.follows = function (address) {
  var before = this.absent[this.absent.length - 1];
  if (before) { this.fault(address, 'disagrees', 'is given, but ' + before + ' before it is not'); }
  return !before;
};
"""

COMPUTED = r"""
// -- counts that several fields say together --

function productOf(node, scope) { // how many elements fields say together
  return plus(node.factors.reduce(function (count, factor) {
    if (factor[1] === 'list') { return times(count, onesInList(scope, factor[0])); }
    return times(count, factor[1] ? onesIn(leafOf(scope, factor[0]).raw) : leafOf(scope, factor[0]).raw);
  }, 1), node.plus || 0);
}

// Leaves of lists whose ones are counted, by their slot, in the scope that the list stands in.
Reading.prototype.keepListed = function (node, scope, leaves) {
  var first = node.nodes[0], slot = first.slots ? first.slots[0] : first.slot;
  if (!node.bare || !slot || this.frame.summed.indexOf(slot.number) < 0) { return; }
  scope.listed = scope.listed || {};
  scope.listed[slot.number] = leaves;
};

Writing.prototype.keepListed = Reading.prototype.keepListed;

function onesInList(scope, number) { // none where the list is not there
  while (scope && !(scope.listed && scope.listed[number])) { scope = scope.outer; }
  return scope ? scope.listed[number].reduce(function (count, leaf) { return count + onesIn(leaf.raw); }, 0) : 0;
}

function onesIn(n) {
  return limbsOf(n).reduce(function (count, limb) {
    while (limb) { count += limb & 1; limb >>>= 1; }
    return count;
  }, 0);
}

Writing.prototype.holdProduct = function (one) {
  var self = this, wanted = productOf(one.node, one.scope);
  function isBroken(factor) { return factor[1] !== 'list' && self.states[leafOf(one.scope, factor[0]).order].broken; }
  if (one.node.factors.some(isBroken)) { return; }
  if (compare(wanted, one.count)) {
    this.fault(one.address, 'disagrees', 'has ' + one.count + ' elements, but the fields that count it say ' + decimal(wanted), one.order);
  }
};
"""
