/* How numbers, lengths and times are told. Null is told as a dash, never as 0. */
"use strict";

(() => {
  const whole = new Intl.NumberFormat("en-GB", { maximumFractionDigits: 0 });
  const NONE = "–";
  const DAY_MS = 86400000;
  const missing = (value) => value === null || value === undefined;

  /** Tell a whole number. */
  ZL.number = (value) => (missing(value) ? NONE : whole.format(value));
  /** Tell so many of something: 1 stretch, 2 stretches. */
  ZL.count = (number, one, more = `${one}s`) => `${ZL.number(number)} ${number === 1 ? one : more}`;
  /** Tell a ratio in per cent. */
  ZL.percent = (ratio, digits = 1) => (missing(ratio) ? NONE : `${(ratio * 100).toFixed(digits)} %`);
  /** Tell how far two ratios are apart. */
  ZL.points = (difference) => `${Math.abs(difference * 100).toFixed(1)} points`;

  /** Tell a length of time: 1 h 12 min, 38 min, 45 s. */
  ZL.length = (seconds) => {
    if (missing(seconds)) return NONE;
    const sign = seconds < 0 ? "−" : "";
    const all = Math.abs(seconds);
    if (all < 0.5) return "0";
    if (all < 99.5) return `${sign}${Math.round(all)} s`;
    const minutes = Math.round(all / 60);
    if (minutes < 100) return `${sign}${minutes} min`;
    return `${sign}${whole.format(Math.floor(minutes / 60))} h ${String(minutes % 60).padStart(2, "0")} min`;
  };

  const SECOND_US = 1e6;

  /** Return the instant so many seconds after another one as RFC 3339, exact to the microsecond. */
  ZL.instant = (start, seconds) => {
    const [, whole, fraction] = /^([^.Z]+)(?:\.(\d+))?Z$/.exec(start);
    const us = Number((fraction || "").padEnd(6, "0")) + Math.round(seconds * SECOND_US);
    const carried = Math.floor(us / SECOND_US);
    const told = new Date(Date.parse(`${whole}Z`) + carried * 1000).toISOString().slice(0, 19);
    return `${told}.${String(us - carried * SECOND_US).padStart(6, "0")}Z`;
  };

  const OF_A_DATE = { year: "numeric", month: "numeric", day: "numeric" };
  const OF_A_TIME = { hour: "numeric", minute: "numeric", second: "numeric" };

  /** Return what tells by how many milliseconds a site's clock is ahead of UTC at an instant in milliseconds. */
  const offsetOf = (timeZone) => {
    const options = { timeZone, calendar: "iso8601", hourCycle: "h23", ...OF_A_DATE, ...OF_A_TIME };
    const format = new Intl.DateTimeFormat("en-GB", options);
    return (at) => {
      const of = Object.fromEntries(format.formatToParts(at).map(({ type, value }) => [type, Number(value)]));
      return Date.UTC(of.year, of.month - 1, of.day, of.hour, of.minute, of.second) - Math.floor(at / 1000) * 1000;
    };
  };

  /** Return what tells times of a site by its own clock; `at` and `exact` with the day where there are several days. */
  ZL.clockOf = (timeZone, several = false) => {
    const parts = (options) => new Intl.DateTimeFormat("en-GB", { timeZone, hourCycle: "h23", ...options });
    const minute = parts({ hour: "2-digit", minute: "2-digit" });
    const second = parts({ hour: "2-digit", minute: "2-digit", second: "2-digit" });
    const day = parts({ weekday: "short", day: "numeric", month: "short" });
    const date = parts({ weekday: "short", day: "numeric", month: "short", year: "numeric" });
    const at = (value) => (value instanceof Date ? value : new Date(value));
    const dated = (time) => (value) => `${several ? `${day.format(at(value))} ` : ""}${time.format(at(value))}`;
    return {
      at: dated(minute),
      exact: dated(second),
      zone: timeZone,
      offset: offsetOf(timeZone),
      minute: (value) => minute.format(at(value)),
      second: (value) => second.format(at(value)),
      day: (value) => day.format(at(value)),
      date: (value) => date.format(at(value)),
      both: (value) => `${day.format(at(value))} ${minute.format(at(value))}`,
    };
  };

  /** Return the clock of a sheet's site: days are told where a time of day comes more than once in its window. */
  ZL.clockFor = ({ timezone, start, end }) => {
    const one = ZL.clockOf(timezone);
    const last = new Date(new Date(end) - 1);
    const long = last - new Date(start) > DAY_MS;
    return ZL.clockOf(timezone, long && one.date(start) !== one.date(last));
  };

  /** Tell a shift or a day: its name, where it has one, and its date. */
  ZL.shiftName = (label, clock, start) => {
    const name = label && label.includes("/") ? label.split("/")[1] : null;
    return name ? `${name[0].toUpperCase()}${name.slice(1)} shift, ${clock.date(start)}` : clock.date(start);
  };

  /** Leave out of a warning the clause that tells programs where to read on: people cannot ask the API. */
  ZL.forPeople = (text) => {
    const at = text.lastIndexOf(";");
    return at > 0 && text.includes("/v1/", at) ? `${text.slice(0, at)}.` : text;
  };
})();
