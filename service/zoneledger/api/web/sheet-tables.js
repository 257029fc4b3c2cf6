/* The sheet's tables: where the time went, what it was lost to, the panels, and the ribbons in figures. */
"use strict";

(() => {
  const { h } = ZL;
  const MOST_REASONS = 12;
  const STEPS = {
    unknown: "unknown: no evidence",
    fault: "stopped by alarms",
    changeover: "loading, unloading, setting up",
    idle: "standing",
    minor_stops: "minor stops while running",
    speed: "slower than the standard",
    rework: "to be reworked",
    reject: "rejected",
  };
  /** Tell a step of the way from planned time to good work. */
  ZL.stepName = (step) => STEPS[step] || step;

  const section = (title, ...children) => h("section", {}, h("h2", {}, title), children);
  const none = (words) => h("p", { class: "none" }, words);

  /** From planned time to good work: what was lost step by step, and what was left. */
  ZL.ledger = ({ losses }) => {
    const { planned_s: planned, good_standard_s: good } = losses;
    const unknown = losses.steps.find((one) => one.step === "unknown").lost_s;
    /* Of what is unknown nothing more is known, not that it was nothing. */
    const known = (seconds) => ZL.length(planned && unknown >= planned ? null : seconds);
    const share = planned > unknown ? ` (${ZL.atLeast(unknown, planned)}${ZL.percent(good / planned)})` : "";
    const step = (one) =>
      ZL.tr(
        ZL.rowHead(ZL.stepName(one.step)),
        ZL.n(one.step === "unknown" ? ZL.length(one.lost_s) : known(one.lost_s)),
        ZL.n(known(one.left_s)),
        ZL.share(planned ? Math.abs(one.lost_s) / planned : 0, one.lost_s < 0),
      );
    const first = ZL.tr(ZL.rowHead("Planned time"), ZL.n(), ZL.n(ZL.length(planned)), ZL.td());
    const sum = ZL.tr(ZL.rowHead(`Good work by the standard${share}`), ZL.n(), ZL.n(known(good)), ZL.td());
    sum.className = "sum";
    const heads = ["What", { n: "Lost" }, { n: "Left" }, { unseen: "Share of planned time" }];
    return section("From planned time to good work", ZL.table(heads, [first, losses.steps.map(step), sum]));
  };

  /* An alarm's code may be long, and breaks anywhere; words do not. */
  const reasonOf = ({ state, reason }) =>
    h("bdi", { class: state === "fault" ? null : "words" }, ZL.reasonOfCell(state, reason));
  const isKnown = (one) => one.state !== "unknown";

  /** What it was lost to: the reasons that took most time. */
  ZL.ranked = (sheet) => {
    const all = sheet.losses.reasons.by_time;
    /* What is unknown is not known to be lost: it comes last. */
    const [lost, unknown] = [all.filter(isKnown), all.filter((one) => !isKnown(one))];
    const reasons = [...lost.slice(0, MOST_REASONS), ...unknown];
    const most = Math.max(...reasons.map((one) => one.lost_s));
    const nothing = sheet.losses.planned_s ? "No planned time was lost." : "Nothing is planned in this time.";
    if (!reasons.length) return section("What it was lost to", none(nothing));
    const row = (one) => {
      const given = Object.entries(one.given).map(([name, seconds]) => `${ZL.length(seconds)} said to be ${name}`);
      const said = given.length ? h("div", { class: "soft" }, given.join("; ")) : "";
      return ZL.tr(
        ZL.rowHead(ZL.sign(one.state), ", ", reasonOf(one), said),
        ZL.n(ZL.length(one.lost_s)),
        ZL.n(ZL.number(one.occurrences)),
        ZL.n(ZL.length(one.longest_s)),
        ZL.share(one.lost_s / most),
      );
    };
    const numbers = ["Time", "Times", "Longest"].map((n) => ({ n }));
    const heads = ["State and reason", ...numbers, { unseen: "Share of the longest" }];
    return section("What it was lost to", ZL.wide("Reasons by time", ZL.table(heads, reasons.map(row))));
  };

  const programTable = (programs) => {
    const row = (one) =>
      ZL.tr(
        ZL.rowHead(h("bdi", {}, one.program || "no program told")),
        ZL.n(ZL.number(one.completed)),
        ZL.n(ZL.number(one.number - one.completed)),
        ZL.n(ZL.length(one.floor_to_floor.median_s)),
        ZL.n(ZL.length(one.floor_to_floor.p90_s)),
        ZL.n(ZL.percent(one.automation_level)),
      );
    const numbers = ["Completed", "Not", "Floor to floor: half within", "nine in ten within", "Made by the cell"];
    const heads = ["Program", ...numbers.map((n) => ({ n }))];
    return ZL.wide("Panels by program", ZL.table(heads, programs.map(row)));
  };

  const passTable = (passes, clock) => {
    const row = ({ fasteners, ...one }) =>
      ZL.tr(
        ZL.figure(one.end ? clock.at(one.end) : "present"),
        ZL.td(ZL.belowLine(one.unit)),
        ZL.td(h("bdi", {}, one.panel || "not told")),
        ZL.td(one.outcome),
        ZL.n(ZL.length(one.floor_to_floor_s)),
        ZL.n(ZL.number(fasteners.made)),
        ZL.n(ZL.number(fasteners.made - fasteners.good)),
      );
    const numbers = ["Floor to floor", "Made", "Not good"].map((n) => ({ n }));
    return ZL.wide("Each panel", ZL.table(["Done", "Zone", "Panel", "Outcome", ...numbers], passes.map(row)));
  };

  const noPanel = (unknown) =>
    unknown
      ? `No panel was seen in this time, of which ${ZL.length(unknown)} is unknown.`
      : "No panel went through in this time.";

  /** The panels of the window, by program, and each by itself. */
  ZL.panels = (sheet, clock) => {
    const { programs, passes, present, number } = sheet.panels;
    if (!number && !present.length) return section("Panels", none(noPanel(sheet.figures.time_s.unknown)));
    const summary = `Each panel (${number} done, ${present.length} present)`;
    const first = h("p", { class: "soft" }, `The first ${passes.length} are shown.`);
    const each = [passTable([...passes, ...present], clock), number > passes.length ? first : ""];
    const byProgram = programs.length ? programTable(programs) : null;
    return section("Panels", byProgram, ZL.details("each-panel", summary, each));
  };

  /** The ribbons as a table: the time of each cell and zone by state. */
  ZL.asTables = (sheet) => {
    const madeBy = (made, nothingKnown) => (nothingKnown && !made ? null : made);
    const row = (unit, time, made) =>
      ZL.tr(
        ZL.rowHead(unit),
        ZL.STATES.map((state) => ZL.n(ZL.length(time[state]))),
        ZL.n(ZL.number(made)),
      );
    const rows = sheet.cells.map(({ figures }) => [
      row(figures.unit, figures.time_s, madeBy(figures.fasteners.made, figures.known === 0)),
      Object.entries(figures.zones).map(([zone, one]) =>
        row(`${figures.unit}/${zone}`, one.time_s, madeBy(one.made, one.utilisation === null)),
      ),
    ]);
    const table = ZL.table(["Unit", ...[...ZL.STATES, "made"].map((n) => ({ n }))], rows);
    return ZL.details("as-table", "The ribbons as a table", ZL.wide("Time by state", table));
  };
})();
