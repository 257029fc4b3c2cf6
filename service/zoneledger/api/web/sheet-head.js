/* The top of the sheet: where it is, which window it tells of, and the windows beside it. */
"use strict";

(() => {
  const { h } = ZL;
  const place = ZL.place();

  /** Return the query that the page was asked with, as an address has it. */
  ZL.queryOf = () => (place.query.toString() ? `?${place.query}` : "");

  /** Whether a sheet's window still lasts. */
  ZL.lasts = (sheet) => new Date(sheet.until) < new Date(sheet.end);

  /** The way from all lines to the sheet's unit. */
  ZL.trail = (sheet) => {
    const steps = sheet.unit.split("/");
    const links = steps.map((step, k) => {
      const unit = steps.slice(0, k + 1).join("/");
      const query = k === 0 && place.query.has("shift") ? "" : ZL.queryOf();
      const link = () => ZL.link({ href: `/sheet/${ZL.pathOf(unit)}${query}`, unit }, step);
      return [" / ", k === steps.length - 1 ? h("span", { "aria-current": "page" }, step) : link()];
    });
    return h("nav", { class: "trail", "aria-label": "Where this is" }, ZL.link({ href: "/" }, "All lines"), links);
  };

  const windowName = (target) => {
    const [day, name] = (target.query.shift || target.query.day || "").split("/");
    if (!day) return "as much time";
    const told = ZL.clockOf("UTC").day(`${day}T12:00:00Z`);
    return name ? `${name}, ${told}` : told;
  };

  const beside = (target, words, rel, keys) => {
    if (ZL.answers) return null;
    if (!target || !target.begun) {
      return h("span", { class: "soft screen" }, `${words}: ${target ? "not begun yet" : "none"}`);
    }
    const href = `/sheet/${ZL.pathOf(place.unit)}?${new URLSearchParams(target.query)}`;
    return h("a", { class: "screen", href, rel, title: keys }, `${words}: ${windowName(target)}`);
  };

  const dayField = (sheet) => {
    const format = new Intl.DateTimeFormat("en-CA", { timeZone: sheet.timezone });
    return h("input", { type: "date", required: true, value: format.format(new Date(sheet.start)) });
  };

  const shiftField = (sheet) => {
    const value = sheet.shift ? sheet.shift.split("/")[1] : "";
    return h("input", { type: "text", size: "8", placeholder: "whole day", value, pattern: "[a-z0-9\\-]{0,40}" });
  };

  /** The form that leads to another window of the same unit. */
  ZL.otherWindow = (sheet) => {
    if (ZL.answers) return null;
    const day = dayField(sheet);
    const shift = shiftField(sheet);
    const go = (event) => {
      event.preventDefault();
      const query = shift.value ? { shift: `${day.value}/${shift.value}` } : { day: day.value };
      location.assign(`/sheet/${ZL.pathOf(place.unit)}?${new URLSearchParams(query)}`);
    };
    const form = h(
      "form",
      { onsubmit: go },
      h("label", {}, "Day", day),
      sheet.level === "site" ? null : h("label", {}, "Shift, or empty", shift),
      h("button", { type: "submit" }, "Show"),
    );
    return h("details", { class: "screen" }, h("summary", {}, "Another window"), form);
  };

  /** How a window lies to now: up to when it is told, or that the shift is over and no other has begun. */
  const stands = (sheet, clock) => {
    if (ZL.lasts(sheet)) return h("b", {}, ` · told up to ${clock.at(sheet.until)}`);
    const isLatest = sheet.shift && sheet.next && !sheet.next.begun;
    return isLatest && !ZL.answers ? h("b", {}, " · over, and the next shift has not begun yet") : "";
  };

  /** The window, between the ones before and after it. */
  ZL.windowLine = (sheet, clock) => {
    const sameDay = clock.day(sheet.start) === clock.day(sheet.end);
    const upto = `${clock.minute(sheet.start)} to ${sameDay ? clock.minute(sheet.end) : clock.both(sheet.end)}`;
    return [
      beside(sheet.previous, "Before", "prev", "Alt + Page Up"),
      h("span", { class: "when" }, `${upto}, ${sheet.timezone}`, stands(sheet, clock)),
      beside(sheet.next, "After", "next", "Alt + Page Down"),
    ];
  };
})();
