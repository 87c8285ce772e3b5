"""Values that the ground works out."""

from __future__ import annotations

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
    step.later[depth].forEach(function (other) { toTheEnd(container, other); });
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
