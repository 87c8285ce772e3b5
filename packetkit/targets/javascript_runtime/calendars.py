"""Times as the calendar has them: years, months and days, hours and their parts, each count a number of its own; both ways."""

from __future__ import annotations

CALENDARS = r"""
// -- times of the calendar: counts in any order, a number is offset + scale times what its bits spell --

function partsOfDay(calendar) { // of falling unit
  return calendar.counts.filter(function (one) { return one.unit; }).sort(function (a, b) {
    return b.unit[0] / b.unit[1] - a.unit[0] / a.unit[1];
  });
}

function dateText(calendar, raw) { // {value, reason}
  var numbers = {}, isBad = false, found, inside = [0, 1], before = [DAY, 1];
  calendar.counts.forEach(function (one) {
    var high = floorOver(raw, SIZES[one.shift]), code = minus(high, times(floorOver(high, SIZES[one.bits]), SIZES[one.bits]));
    var number = one.coding ? numberSpelled(one, code) : code;
    isBad = isBad || number === null;
    numbers[one.name] = isBad ? 0 : plus(one.offset, times(one.scale, number));
  });
  if (isBad) { return {value: null, reason: 'bad digit'}; }
  found = dayOf(calendar, numbers);
  if (found.reason) { return {value: null, reason: found.reason}; }
  partsOfDay(calendar).forEach(function (one) {
    var amount = multiplied(one.unit, numbers[one.name]), end = before;
    // The second that a day may have more is one of its last minute, in the first count that is finer than minutes.
    if (isFiner(one.unit, [60, 1]) && !isFiner(before, [60, 1]) && !compare(over(added(inside, before), [1, 1]), DAY)) {
      end = added(before, [hasLeap(calendar, found.day), 1]);
    }
    isBad = isBad || isNegative(amount[0]) || !isFiner(amount, end);
    inside = added(inside, amount);
    before = one.unit;
  });
  return isBad ? {value: null, reason: 'bad time'} : timeShown(calendar, {day: found.day, second: inside});
}

function isFiner(a, b) { return isNegative(less(a, b)[0]); }

function dayNumber(year, month, day) { // from 1970-01-01, null where there is no such day
  var date = new Date(0);
  if (!(year > 0 && month > 0 && day > 0 && day < 32)) { return null; }
  date.setUTCFullYear(year, month - 1, day);
  return date.getUTCMonth() === month - 1 && date.getUTCDate() === day ? date.getTime() / (DAY * 1000) : null;
}

function dayOf(calendar, numbers) { // {day} or {reason}
  var year = numbers.years, days = numbers.days, first;
  if (year === undefined) {
    days = plus(calendar.epoch, days);
    if (compare(days, -719162) >= 0 && compare(days, 2932896) <= 0) { return {day: days}; }
    return {reason: compare(numbers.days, 0) > 0 ? 'beyond the year 9999' : 'no such day'};
  }
  if (compare(year, 9999) > 0) { return {reason: 'beyond the year 9999'}; }
  first = numbers.months === undefined ? dayNumber(year, 1, 1) : dayNumber(year, numbers.months, days);
  if (first === null) { return {reason: 'no such day'}; }
  if (numbers.months !== undefined) { return {day: first}; }
  if (compare(days, 1) < 0 || compare(days, dayNumber(year, 12, 31) - first + 1) > 0) { return {reason: 'no such day'}; }
  return {day: first + days - 1};
}

function dateCode(calendar, moment) { // the nearest, the later one half way; null where there is none
  var parts = partsOfDay(calendar), day = moment.day, inside = [0, 1], before = [DAY, 1], step, numbers, raw = 0;
  if (parts.length) {
    step = multiplied(parts[parts.length - 1].unit, parts[parts.length - 1].scale);
    inside = multiplied(step, nearestOver(moment.second, step));
    if (!isFiner(inside, [DAY + hasLeap(calendar, day), 1])) {
      day += 1;
      inside = [0, 1];
    }
  } else {
    day += nearestOver(moment.second, [DAY, 1]);
  }
  numbers = numbersOfDay(calendar, day);
  if (!numbers) { return null; }
  parts.forEach(function (one) {
    var number = over(inside, one.unit);
    // A leap second stays in the day's last hour and minute.
    if (!isFiner(one.unit, [60, 1])) { number = Math.min(number, over(before, one.unit) - 1); }
    numbers[one.name] = number;
    inside = less(inside, multiplied(one.unit, number));
    before = one.unit;
  });
  calendar.counts.forEach(function (one) {
    var above = minus(numbers[one.name], one.offset), spelledOut = floorOver(above, one.scale);
    if (compare(times(spelledOut, one.scale), above) || !holds(spelledOut, [spelledLimits(one)])) { raw = null; }
    if (raw !== null) { raw = plus(raw, times(one.coding ? codeOf(one, spelledOut) : spelledOut, SIZES[one.shift])); }
  });
  return raw;
}

function spelledLimits(count) { // the least and the greatest number that bits spell
  var most, i;
  if (count.coding === 'binary_coded_decimal') {
    most = Math.min((1 << count.bits % 4) - 1, 9) + 1;
    for (i = 4; i <= count.bits; i += 4) { most = times(most, 10); }
    return [0, minus(most, 1)];
  }
  if (count.coding !== 'sign_and_magnitude') { return [0, minus(SIZES[count.bits], 1)]; }
  most = minus(SIZES[count.bits - 1], 1);
  return [negated(most), most];
}

function numbersOfDay(calendar, day) {
  var names = calendar.counts.map(function (one) { return one.name; }), date, year;
  if (day < -719162 || day > 2932896) { return null; }
  if (names.indexOf('years') < 0) { return {days: day - calendar.epoch}; }
  date = new Date(day * DAY * 1000);
  year = date.getUTCFullYear();
  if (names.indexOf('months') < 0) { return {years: year, days: day - dayNumber(year, 1, 1) + 1}; }
  return {years: year, months: date.getUTCMonth() + 1, days: date.getUTCDate()};
}
"""
