/* What the sheet says first: one sentence, the scale on which OEE lies, and what to know before quoting it. */
"use strict";

(() => {
  const { h } = ZL;
  const MOST_CELLS = 5;
  const MARKS = [0, 0.25, 0.5, 0.75, 1];
  const within = (ratio) => Math.max(0, Math.min(1, ratio));

  /** The OEE that was promised, if any, and the figures of the window before, if it has an OEE. */
  const others = (sheet) => {
    if (ZL.isYoung(sheet)) return { promised: null, before: null };
    const before = sheet.figures.against;
    const promised = sheet.target && sheet.target.oee;
    return { promised: promised || null, before: before && before.oee !== null ? before : null };
  };

  const toPromised = (figures, promised) => {
    const target = `the promised ${ZL.percent(promised, 0)}`;
    const words = [`under ${target}`, `over ${target}`, "just as promised"];
    return ZL.apart(figures, ZL.promise(promised), words) || `it may be under or over ${target}`;
  };

  const nameOfBefore = ({ shift, label }) => `the ${shift ? "shift" : label ? "day" : "time"} before`;

  const toBefore = (sheet, before) => {
    const told = `${nameOfBefore(sheet)}: ${ZL.oee(before)}`;
    const words = [`less than ${told}`, `more than ${told}`, `as much as ${nameOfBefore(sheet)}`];
    return ZL.apart(sheet.figures, before, words) || told;
  };

  const youngOf = (sheet) =>
    `this ${sheet.shift ? "shift" : "time"} is only ${ZL.age(sheet)} old, too early to compare`;

  const compared = (sheet) => {
    const { promised, before } = others(sheet);
    if (ZL.isYoung(sheet)) return [youngOf(sheet)];
    const parts = [];
    if (promised) parts.push(toPromised(sheet.figures, promised));
    if (before) parts.push(toBefore(sheet, before));
    return parts;
  };

  /* What is unknown is not known to be lost. What was lost while the cell ran has no reason, but a step of its own. */
  const RUNNING = ["speed", "rework", "reject"];
  const mostLost = ({ losses }) => {
    const reasons = losses.reasons.by_time.filter((one) => one.state !== "unknown");
    const steps = losses.steps.filter((one) => RUNNING.includes(one.step) && one.lost_s > 0);
    const named = [
      ...reasons.map((one) => [ZL.reasonOfCell(one.state, one.reason), one.lost_s]),
      ...steps.map((one) => [ZL.stepName(one.step), one.lost_s]),
    ].sort(([, one], [, other]) => other - one);
    const told = named.slice(0, 3).map(([name, lost_s]) => `${name} ${ZL.length(lost_s)}`);
    return told.length ? ` Most was lost to: ${told.join("; ")}.` : "";
  };

  /** Name some cells of a line or site, each with what is told of it; nothing of a single cell. */
  const named = (sheet, cells, tell) => {
    if (sheet.level === "cell" || !cells.length) return "";
    const told = cells.slice(0, MOST_CELLS).map((cell) => `${ZL.below(sheet, cell.figures.unit)} ${tell(cell)}`);
    const more = cells.length > MOST_CELLS ? [`and ${ZL.count(cells.length - MOST_CELLS, "cell")} more`] : [];
    return [...told, ...more].join("; ");
  };

  const isUnheardOf = (sheet, [own]) =>
    own.reasons.length > 0 && own.reasons.every((place) => sheet.reason_names[place] === null);

  const unknownOf = (sheet) => {
    const unknown = ({ figures }) => figures.time_s.unknown;
    if (!unknown(sheet)) return "";
    const cells = sheet.cells.filter(unknown).sort((one, other) => unknown(other) - unknown(one));
    const why = (cell) => (isUnheardOf(sheet, cell.ribbons) ? `, ${ZL.reason("unknown", null)}` : "");
    const told = named(sheet, cells, (cell) => `${ZL.length(unknown(cell))}${why(cell)}`);
    return ` Unknown: ${ZL.length(unknown(sheet))}${told ? ` (${told})` : ""}.`;
  };

  /* Unknown time is planned time, too, and what was made in it is not counted: the rate is the least that it can be. */
  const rate = (sheet) => {
    const { level, figures, target } = sheet;
    const number = ZL.number(figures.fasteners_per_hour.good);
    const good = `${ZL.atLeast(figures.time_s.unknown, figures.planned_s)}${number} good per planned hour`;
    const promised = ZL.isYoung(sheet) ? null : target && target.good_per_hour;
    const beside = promised ? ` (promised: ${ZL.number(promised)})` : "";
    return `${good}${level === "cell" ? "" : " of a cell"}${beside}`;
  };

  const madeLine = (sheet) => {
    const { fasteners, time_s: time, planned_s: planned } = sheet.figures;
    const least = ZL.atLeast(time.unknown, planned);
    const bold = (number) => h("b", { class: "figure" }, ZL.number(number));
    const made = fasteners.made === 1 ? " fastener made, " : " fasteners made, ";
    const good = [least, bold(fasteners.good), ` of them good; ${rate(sheet)}.`];
    return h("p", {}, least ? "At least " : "", bold(fasteners.made), made, good, mostLost(sheet), unknownOf(sheet));
  };

  /** What an hour of a line or site is; nothing of a single cell. */
  const addedUp = ({ cells }) => {
    if (cells.length < 2) return null;
    const hours = `an hour of the clock is up to ${cells.length} hours of planned time`;
    return h("p", { class: "soft" }, `All figures here are added up over ${cells.length} cells: ${hours}.`);
  };

  /** The OEE in one sentence, or why there is none. */
  ZL.sentence = (sheet) => {
    const { figures } = sheet;
    const say = (...words) => h("p", { class: "sentence" }, words);
    if (!figures.planned_s) {
      const { outside_planned: outside } = figures.fasteners;
      const more = outside ? ` ${ZL.count(outside, "fastener was", "fasteners were")} made all the same.` : "";
      return say("Nothing is planned in this time, so there is no OEE.", more);
    }
    if (figures.known === 0) {
      const why = " No evidence came of any of this time, so nothing can be said of it.";
      return say(h("strong", {}, "Unknown."), why);
    }
    return [say(oeeOf(figures), compared(sheet).map((one) => `; ${one}`), "."), madeLine(sheet), addedUp(sheet)];
  };

  const oeeOf = (figures) => {
    const strong = (words) => h("strong", { id: "oee" }, words);
    if (ZL.isVague(figures)) return ["OEE ", strong(ZL.oee(figures)), ": too much is unknown for one figure"];
    const doubt = ZL.between(figures);
    return [strong(ZL.percent(figures.oee)), " OEE", doubt ? `, surely ${doubt}` : ""];
  };

  const scaleInWords = (figures, { promised, before }) => {
    return [
      `OEE ${ZL.oee(figures)}`,
      promised ? `promised ${ZL.percent(promised, 0)}` : "",
      before ? `before ${ZL.oee(before)}` : "",
    ]
      .filter(Boolean)
      .join(", ");
  };

  const legend = (figures, { promised, before }) => {
    const signs = [
      ZL.isVague(figures) ? "" : "bar: this window",
      before && !ZL.isVague(before) ? "dotted: before" : "",
      promised ? "diamond: promised" : "",
      figures.known < 1 ? "grey: where it may lie, as time is unknown" : "",
    ];
    return h("p", { class: "soft legend", "aria-hidden": "true" }, signs.filter(Boolean).join(" · "));
  };

  /** Where the OEE lies on one line, beside what was promised and what was before; nothing where there is none. */
  ZL.scale = (sheet) => {
    const { figures } = sheet;
    if (figures.known === 0 || figures.oee_bounds.includes(null)) return null;
    const beside = others(sheet);
    const at = (ratio, sign) => ZL.put(sign, within(ratio), null, 1);
    const sign = (name) => h("i", { class: name });
    const [low, high] = figures.oee_bounds.map(within);
    const box = h(
      "div",
      { class: "scale", role: "img", "aria-label": scaleInWords(figures, beside) },
      ZL.put(sign("doubt"), low, high, 1),
      beside.before && !ZL.isVague(beside.before) ? at(beside.before.oee, sign("before")) : null,
      beside.promised ? at(beside.promised, sign("promised")) : null,
      ZL.isVague(figures) ? null : at(figures.oee, sign("is")),
      MARKS.map((mark) => at(mark, h("b", {}, `${mark * 100}`))),
    );
    return [box, legend(figures, beside)];
  };

  const unknownTime = ({ known, time_s: time, oee_bounds: [low, high] }) => {
    if (known === null || known >= 1) return [];
    const [least, most] = [ZL.percent(low), ZL.percent(high)];
    const range = least === most ? `is ${least} all the same` : `lies between ${least} and ${most}`;
    return [`${ZL.length(time.unknown)} of planned time is unknown: the OEE ${range}, whatever happened then.`];
  };

  /* What the controllers count and what came are held against each other by cell. */
  const uncounted = (sheet) => {
    const cells = sheet.cells.filter(({ figures }) => figures.fasteners.unseen);
    const tell = ({ figures: { fasteners } }) =>
      `${ZL.number(Math.abs(fasteners.unseen))} ${fasteners.unseen > 0 ? "more" : "fewer"}`;
    const told = named(sheet, cells, tell);
    return told ? ` By cell: ${told}.` : "";
  };

  /** All that makes the sheet's figures less than sure; nothing where all is plain. */
  ZL.heed = (sheet) => {
    const textOf = ({ code, text }) => `${ZL.forPeople(text)}${code === "unseen" ? uncounted(sheet) : ""}`;
    const warnings = [...sheet.figures.warnings, ...sheet.losses.warnings, ...sheet.panels.warnings];
    const told = warnings.filter((one) => one.code !== "unknown_time").map(textOf);
    const texts = [...new Set([...unknownTime(sheet.figures), ...told])];
    if (!texts.length) return null;
    const items = texts.map((text) => h("li", {}, h("bdi", {}, text)));
    return h("div", { class: "heed" }, h("h2", {}, "Before you quote these figures"), h("ul", {}, items));
  };
})();
