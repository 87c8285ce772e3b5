"""Times: from a code to a moment in UTC, as text, and back."""

from __future__ import annotations

TIMES = r"""
// -- times: fractions are [numerator, denominator], moments {day, second}, days are counted from 1970-01-01 --

var DAY = 86400;

function added(a, b) { return [plus(times(a[0], b[1]), times(b[0], a[1])), times(a[1], b[1])]; }

function multiplied(a, n) { return [times(a[0], n), a[1]]; }

function less(a, b) { return added(a, [negated(b[0]), b[1]]); }

function over(a, b) { return floorOver(times(a[0], b[1]), times(a[1], b[0])); } // floor(a / b)

function nearestOver(a, b) { return over(added(multiplied(a, 2), b), multiplied(b, 2)); }

function powerOfTen(digits) { return digits < 16 ? Math.pow(10, digits) : times(Math.pow(10, 15), Math.pow(10, digits - 15)); }

function ahead(clock, day) { // by how many seconds atomic time is ahead of UTC
  var at = clock.leaps.filter(function (start) { return start <= day; }).length;
  return at ? clock.ahead + at - 1 : 0;
}

function hasLeap(clock, day) { return clock.leaps.indexOf(day + 1) > 0 ? 1 : 0; }

function momentOf(given) { return {day: given[0], second: [given[1], given[2]]}; }

function elapsed(clock, moment) { // seconds from the epoch, as the clock counts them
  var epoch = momentOf(clock.epoch), leaps = clock.counts_leaps ? ahead(clock, moment.day) - ahead(clock, epoch.day) : 0;
  return less(added([(moment.day - epoch.day) * DAY + leaps, 1], moment.second), epoch.second);
}

function momentAfter(clock, seconds) {
  var epoch = momentOf(clock.epoch), total = added(added(epoch.second, seconds), [epoch.day * DAY, 1]), at = -1, start, day;
  if (clock.counts_leaps) {
    total = added(total, [ahead(clock, epoch.day), 1]); // atomic now
    clock.leaps.forEach(function (first, i) {
      if (compare(over(total, [1, 1]), first * DAY + clock.ahead + i) >= 0) { at = i; }
    });
    if (at >= 0) { total = less(total, [clock.ahead + at, 1]); }
    start = clock.leaps[at + 1];
    if (at >= 0 && start !== undefined && compare(over(total, [1, 1]), start * DAY) >= 0) {
      return {day: start - 1, second: less(total, [(start - 1) * DAY, 1])};
    }
  }
  day = over(total, [DAY, 1]);
  return {day: day, second: less(total, [times(day, DAY), 1])};
}

function unitOf(part) { return [part[0], part[1]]; }

function periodOf(clock) { return multiplied(unitOf(clock.parts[0]), SIZES[clock.parts[0][2]]); }

function lastUnit(clock) { return unitOf(clock.parts[clock.parts.length - 1]); }

// What is to be added to a count that began anew: its moment is the first that is not before the reference.
function rolled(clock, seconds) {
  var period = periodOf(clock), behind;
  if (!clock.reference) { return [0, 1]; }
  behind = less(seconds, elapsed(clock, momentOf(clock.reference)));
  return multiplied(period, negated(over(behind, period)));
}

function timeText(clock, raw) { // {value, reason}
  var seconds = [0, 1], before = null, counts, isBad = false, inside, day;
  counts = clock.parts.map(function (part, at) {
    var high = floorOver(raw, SIZES[part[3]]), count = minus(high, times(floorOver(high, SIZES[part[2]]), SIZES[part[2]]));
    var counted = multiplied(unitOf(part), count);
    if (before && !(clock.by_days && at === 1) && over(counted, before)) { isBad = true; }
    before = unitOf(part);
    if (at || !clock.by_days) { seconds = added(seconds, counted); }
    return count;
  });
  if (isBad) { return {value: null, reason: 'bad time'}; }
  if (!clock.by_days) { return textAfter(clock, added(seconds, rolled(clock, seconds))); }
  inside = seconds;
  seconds = [times(counts[0], DAY), 1];
  day = plus(plus(counts[0], clock.epoch[0]), over(rolled(clock, seconds), [DAY, 1]));
  if (compare(over(inside, [1, 1]), DAY + hasLeap(clock, day)) >= 0) { return {value: null, reason: 'bad time'}; }
  return timeShown(clock, {day: day, second: inside});
}

function textAfter(clock, seconds) {
  var scale = powerOfTen(clock.digits), moment = momentAfter(clock, [nearestOver(multiplied(seconds, scale), [1, 1]), scale]);
  if (clock.counts_leaps && clock.epoch[0] < clock.leaps[0] && compare(moment.day, clock.leaps[0]) < 0 && compare(seconds[0], 0)) {
    return {value: null, reason: 'before 1972'};
  }
  return timeShown(clock, moment);
}

function timeShown(clock, moment) {
  var scale = powerOfTen(clock.digits), day = moment.day, count = nearestOver(multiplied(moment.second, scale), [1, 1]), second, part;
  if (compare(count, times(DAY + hasLeap(clock, day), scale)) >= 0) {
    day = plus(day, 1);
    count = 0;
  }
  if (compare(day, -719162) < 0 || compare(day, 2932896) > 0) { return {value: null, reason: 'beyond the year 9999'}; }
  second = floorOver(count, scale);
  part = clock.digits ? '.' + padded(minus(count, times(second, scale)), clock.digits) : '';
  count = Math.min(second, DAY - 1);
  return {
    value: new Date(day * DAY * 1000).toISOString().slice(0, 11) + padded(Math.floor(count / 3600), 2) + ':' +
      padded(Math.floor(count / 60) % 60, 2) + ':' + padded(count % 60 + second - count, 2) + part + 'Z'
  };
}

function padded(n, digits) { return ('00000000000000000' + decimal(n)).slice(-digits); }

// The moment of a text, or a fault.
function momentGiven(clock, text) {
  var found, date = new Date(0), day, n;
  found = typeof text === 'string' && (/^(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d):(\d\d)(?:\.(\d{1,18}))?Z$/.exec(text));
  if (!found) { return fault('not-a-time', shown(text) + ' is not a time in UTC. Write it as 2030-01-31T00:00:00Z'); }
  n = found.slice(1, 7).map(Number);
  date.setUTCFullYear(n[0], n[1] - 1, n[2]);
  day = date.getTime() / (DAY * 1000);
  if (!n[0] || date.getUTCMonth() !== n[1] - 1 || date.getUTCDate() !== n[2]) {
    return fault('not-a-time', shown(text) + ': there is no such day');
  }
  if (n[3] > 23 || n[4] > 59 || n[5] > 59 + (n[3] === 23 && n[4] === 59 ? hasLeap(clock, day) : 0)) {
    return fault('not-a-time', shown(text) + ': there is no such time of day');
  }
  return {day: day, second: added([n[3] * 3600 + n[4] * 60 + n[5], 1], [whole(found[7] || '0'), powerOfTen((found[7] || '').length)])};
}

function timeToRaw(slot, value) { // {raw} or {fault}
  var moment = momentGiven(slot.calendar || slot.clock, value), raw;
  if (moment.rule) { return {fault: moment}; }
  raw = slot.calendar ? dateCode(slot.calendar, moment) : codeOfMoment(slot.clock, moment);
  if (raw === null || specialOf(slot, raw)) { return {fault: fault('out-of-range', shown(value) + ' has no code that is sent')}; }
  return {raw: raw};
}

function codeOfMoment(clock, moment) { // the nearest, the later one half way; null where there is none
  var unit = lastUnit(clock), isLeap = over(moment.second, [DAY, 1]) > 0, isEpoch, day, first, inside, end, held;
  if (!clock.by_days) {
    isEpoch = moment.day === clock.epoch[0] && !compare(less(moment.second, momentOf(clock.epoch).second)[0], 0);
    if ((isLeap && !clock.counts_leaps) || (clock.counts_leaps && moment.day < clock.leaps[0] && !isEpoch)) { return null; }
    return countsJoined(clock, nearestOver(elapsed(clock, moment), unit), clock.parts);
  }
  if (clock.parts.length === 1) {
    return countsJoined(clock, moment.day + nearestOver(moment.second, [DAY, 1]) - clock.epoch[0], clock.parts);
  }
  day = moment.day;
  inside = multiplied(unit, nearestOver(moment.second, unit));
  end = [DAY + hasLeap(clock, day), 1];
  held = multiplied(unitOf(clock.parts[1]), SIZES[clock.parts[1][2]]); // may have no code for a leap second
  held = isNegative(less(held, end)[0]) ? held : end;
  if (!isNegative(less(inside, held)[0])) {
    inside = less(held, unit);
    if (held === end || !isNegative(less(less(moment.second, inside), less(end, moment.second))[0])) {
      day += 1;
      inside = [0, 1];
    }
  }
  first = countsJoined(clock, day - clock.epoch[0], clock.parts.slice(0, 1));
  return first === null ? null : plus(first, placed(clock.parts.slice(1), inside));
}

function countsJoined(clock, steps, parts) { // a count of the last part's steps as the code of all parts
  var unit = unitOf(parts[parts.length - 1]), period = over(periodOf(clock), unit), start;
  if (clock.reference) {
    start = negated(over(multiplied(elapsed(clock, momentOf(clock.reference)), -1), unit));
    if (compare(steps, start) < 0 || compare(steps, plus(start, period)) >= 0) { return null; }
    steps = minus(steps, times(floorOver(steps, period), period));
  }
  if (isNegative(steps) || compare(steps, period) >= 0) { return null; }
  return placed(parts, multiplied(unit, steps));
}

function placed(parts, seconds) {
  return parts.reduce(function (raw, part) {
    var count = over(seconds, unitOf(part));
    seconds = less(seconds, multiplied(unitOf(part), count));
    return plus(raw, times(count, SIZES[part[3]]));
  }, 0);
}
"""
