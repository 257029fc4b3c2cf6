/* What the sheet says first: one sentence, the scale on which OEE lies, and what to know before quoting it. */
"use strict";

(() => {
  const { h } = ZL;
  const SAME = 0.0005;
  const MARKS = [0, 0.25, 0.5, 0.75, 1];
  const within = (ratio) => Math.max(0, Math.min(1, ratio));

  const apart = (difference, same, less, more) =>
    Math.abs(difference) < SAME ? same : `${ZL.points(difference)} ${difference < 0 ? less : more}`;

  /** The OEE that was promised, if any, and that of the window before. */
  const others = (sheet) => {
    const before = sheet.figures.against;
    const promised = sheet.target && sheet.target.oee;
    return { promised: promised || null, before: before && before.oee !== null ? before.oee : null };
  };

  const compared = (sheet) => {
    const { oee } = sheet.figures;
    const { promised, before } = others(sheet);
    if (oee === null) return [];
    const target = ZL.percent(promised, 0);
    const earlier = ZL.percent(before);
    return [
      promised
        ? apart(oee - promised, "just as promised", `under the promised ${target}`, `over the promised ${target}`)
        : "",
      before !== null
        ? apart(oee - before, "as much as before", `less than before (${earlier})`, `more than before (${earlier})`)
        : "",
    ].filter(Boolean);
  };

  const mostLost = (sheet) => {
    const reasons = sheet.losses.reasons.by_time.filter((one) => !ZL.isHeadWait(one.state, one.reason)).slice(0, 3);
    const told = reasons.map((one) => `${ZL.reason(one.state, one.reason)} ${ZL.length(one.lost_s)}`);
    return told.length ? ` Most was lost to: ${told.join(", ")}.` : "";
  };

  const madeLine = (sheet) => {
    const { fasteners, fasteners_per_hour: rates } = sheet.figures;
    const bold = (number) => h("b", { class: "figure" }, ZL.number(number));
    const rate = `${ZL.number(rates.planned)} per planned hour${sheet.level === "cell" ? "" : " of a cell"}`;
    const good = [bold(fasteners.good), ` of them good; ${rate}.`];
    return h("p", {}, bold(fasteners.made), " fasteners made, ", good, mostLost(sheet));
  };

  /** The OEE in one sentence, or why there is none. */
  ZL.sentence = (sheet) => {
    const { figures } = sheet;
    const say = (...words) => h("p", { class: "sentence" }, words);
    if (!figures.planned_s) {
      const { outside_planned: outside } = figures.fasteners;
      const more = outside ? ` ${ZL.number(outside)} fasteners were made all the same.` : "";
      return say("Nothing is planned in this time, so there is no OEE.", more);
    }
    if (figures.known === 0) {
      const why = " No evidence came of any of this time, so nothing can be said of it.";
      return say(h("strong", {}, "Unknown."), why);
    }
    const more = compared(sheet);
    const oee = h("strong", { id: "oee" }, ZL.percent(figures.oee));
    return [say(oee, " OEE", more.length ? `, ${more.join(" and ")}` : "", "."), madeLine(sheet)];
  };

  const scaleInWords = (figures, { promised, before }) => {
    const [low, high] = figures.oee_bounds;
    return [
      `OEE ${ZL.percent(figures.oee)}, surely between ${ZL.percent(low)} and ${ZL.percent(high)}`,
      promised ? `promised ${ZL.percent(promised, 0)}` : "",
      before !== null ? `before ${ZL.percent(before)}` : "",
    ]
      .filter(Boolean)
      .join(", ");
  };

  const legend = (figures, { promised, before }) => {
    const signs = [
      "bar: this window",
      before !== null ? "dotted: before" : "",
      promised ? "diamond: promised" : "",
      figures.known < 1 ? "grey: where it may lie, as time is unknown" : "",
    ];
    return h("p", { class: "soft legend", "aria-hidden": "true" }, signs.filter(Boolean).join(" · "));
  };

  /** Where the OEE lies on one line, beside what was promised and what was before; nothing where there is none. */
  ZL.scale = (sheet) => {
    const { figures } = sheet;
    if (figures.oee === null) return null;
    const beside = others(sheet);
    const at = (ratio, sign) => ZL.put(sign, within(ratio), null, 1);
    const sign = (name) => h("i", { class: name });
    const [low, high] = figures.oee_bounds;
    const known = low !== null && high !== null;
    const box = h(
      "div",
      { class: "scale", role: "img", "aria-label": scaleInWords(figures, beside) },
      known ? ZL.put(sign("doubt"), within(low), Math.max(within(low), within(high)), 1) : null,
      beside.before !== null ? at(beside.before, sign("before")) : null,
      beside.promised ? at(beside.promised, sign("promised")) : null,
      at(figures.oee, sign("is")),
      MARKS.map((mark) => at(mark, h("b", {}, `${mark * 100}`))),
    );
    return [box, legend(figures, beside)];
  };

  const unknownTime = ({ known, time_s: time, oee_bounds: [low, high] }) => {
    if (known === null || known >= 1) return [];
    const [least, most] = [ZL.percent(low), ZL.percent(high)];
    const range = least === most ? `is ${least} all the same` : `lies between ${least} and ${most}`;
    return [`${ZL.length(time.unknown)} of planned time are unknown: the OEE ${range}, whatever happened then.`];
  };

  /** All that makes the sheet's figures less than sure; nothing where all is plain. */
  ZL.heed = (sheet) => {
    const warnings = [...sheet.figures.warnings, ...sheet.losses.warnings, ...sheet.panels.warnings];
    const told = warnings.filter((one) => one.code !== "unknown_time").map((one) => ZL.forPeople(one.text));
    const texts = [...new Set([...unknownTime(sheet.figures), ...told])];
    if (!texts.length) return null;
    const items = texts.map((text) => h("li", {}, h("bdi", {}, text)));
    return h("div", { class: "heed" }, h("h2", {}, "Before you quote these figures"), h("ul", {}, items));
  };
})();
