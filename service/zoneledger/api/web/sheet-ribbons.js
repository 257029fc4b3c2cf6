/* What happened: a ribbon for each cell and zone of the sheet on one axis of time, with their figures beside them. */
"use strict";

(() => {
  const { h } = ZL;
  const LANE = 26;
  const OWN = 12;
  const STRIP = 22;

  const factors = (figures) => {
    const named = [
      ["available", figures.availability],
      ["performed", figures.performance],
      ["quality", figures.quality],
    ];
    const told = named.map(([name, value]) => [name, ZL.percent(value)]);
    /* They are of what is known alone, which may be little. */
    if (isUntold(figures)) told.push(["of the known", ZL.length(figures.planned_s - figures.time_s.unknown)]);
    const rows = told.map(([name, value]) => [h("dt", {}, name), h("dd", {}, value)]);
    return h("dl", { class: "factors" }, rows);
  };

  const nameOf = (sheet, unit) => {
    if (sheet.level === "cell") return h("span", {}, ZL.last(unit));
    const name = sheet.level === "site" ? unit.split("/").slice(1).join(" / ") : ZL.last(unit);
    return ZL.link({ href: `/sheet/${ZL.pathOf(unit)}${ZL.queryOf()}` }, name);
  };

  const isUntold = (figures) => figures.known === 0 || ZL.isVague(figures);

  const oeeOf = (figures) => {
    const untold = isUntold(figures);
    const words = untold ? ZL.oee(figures) : ZL.percent(figures.oee);
    return h("div", { class: untold ? "oee vague" : "oee", "data-oee": figures.unit }, words);
  };

  const whoParts = (sheet, { figures, target }) => {
    const isHeld = target && target.oee && figures.known !== 0 && !ZL.isYoung(sheet);
    const promised = isHeld ? ZL.promise(target.oee) : null;
    const apart = promised ? ZL.apart(figures, promised, ["under", "over", "as promised"]) : null;
    const number = `${ZL.atLeast(figures.time_s.unknown, figures.planned_s)}${ZL.number(figures.fasteners.made)}`;
    const made = figures.known === 0 && !figures.fasteners.made ? "" : `${number} made`;
    const words = [made, apart].filter(Boolean).join(" · ");
    const soft = (told) => (told ? h("div", { class: "soft" }, told) : null);
    const doubt = isUntold(figures) ? "" : ZL.between(figures);
    return [
      h("h3", {}, nameOf(sheet, figures.unit)),
      oeeOf(figures),
      h("div", {}, soft(doubt), factors(figures), soft(words)),
    ];
  };

  const axis = ({ clock, origin, length }) => {
    const { ticks, days } = ZL.ticksOf(origin, origin + length * 1000, clock);
    const text = (tick) => h("span", {}, days ? clock.day(new Date(tick)) : clock.minute(new Date(tick)));
    const texts = ticks.map((tick) => ZL.put(text(tick), (tick - origin) / 1000, null, length));
    const times = h("div", { class: "times", "aria-hidden": "true" }, texts);
    return h("div", { class: "axis" }, h("span", { class: "soft" }, "Cell"), times);
  };

  const behind = (sheet, { origin, length }) => {
    const at = (time) => (new Date(time) - origin) / 1000;
    const found = sheet.stops.map((stop) => {
      const box = h("span", { class: "stop", title: `planned stop: ${stop.stop}` });
      return ZL.put(box, Math.max(0, at(stop.start)), Math.min(length, at(stop.end)), length);
    });
    const line = () => ZL.put(h("span", { class: "nowline", title: "now" }), at(sheet.until), null, length);
    return ZL.lasts(sheet) ? [...found, line()] : found;
  };

  /* Of time that is unknown a zone may have worked, too. */
  const worked = (used) => {
    if (!used) return "";
    if (used.utilisation === null) return used.time_s.unknown ? "nothing is known of it" : "nothing was planned";
    const planned = ZL.STATES.reduce((sum, state) => sum + used.time_s[state], 0);
    const least = ZL.atLeast(used.time_s.unknown, planned);
    return `worked ${least}${ZL.percent(used.utilisation, 0)} of planned time · ${least}${ZL.number(used.made)} made`;
  };

  const most = (sheet) => {
    let highest = 1;
    for (const { made } of sheet.pace) for (const number of made) highest = Math.max(highest, number);
    return highest;
  };
  const paceOf = (sheet, unit) => sheet.pace.find((one) => one.unit === unit);

  const ribbonOf = (view, ribbon, label, height) => {
    const { clock, origin, length, tell, soon } = view;
    const open = (piece, back) => ZL.openEvidence(view.sheet, clock, piece, back, soon);
    const pieces = ZL.piecesOf(ribbon, view.sheet);
    const drawn = ZL.ribbon({ label, pieces, length, origin, clock, height, tell, open });
    view.drawn.set(ribbon.unit, drawn);
    return drawn.track;
  };

  const stripOf = (view, unit, name) => {
    const pace = paceOf(view.sheet, unit);
    if (!pace) return null;
    const number = pace.made.reduce((sum, one) => sum + one, 0);
    const label = `Fasteners of ${name} by time, ${ZL.number(number)} told in all`;
    const parts = view.sheet.pace_starts.length;
    const strip = ZL.strip({ label, ...pace, parts, height: STRIP, most: view.most });
    view.strips.set(unit, strip);
    return strip.canvas;
  };

  const lane = (view, cell, ribbon) => {
    const own = ribbon.unit === cell.figures.unit;
    const name = own ? "cell" : `zone ${ZL.last(ribbon.unit)}`;
    const words = own ? "together" : worked(cell.figures.zones[ZL.last(ribbon.unit)]);
    const told = h("span", { class: "soft", "data-words": ribbon.unit }, words);
    const state = h("span", { class: "state", "data-state": ribbon.unit });
    return h(
      "div",
      { class: "lane" },
      h("div", { class: "name" }, h("b", {}, name), told, state),
      ribbonOf(view, ribbon, `${ZL.last(cell.figures.unit)}, ${name}`, own ? OWN : LANE),
      stripOf(view, ribbon.unit, name),
    );
  };

  const key = () =>
    h(
      "div",
      { class: "key" },
      ZL.STATES.map((state) => ZL.sign(state)),
      h("span", {}, h("i", { class: "thin" }), "a zone waits for the head: the cell loses nothing by it"),
      h("span", {}, h("i", { class: "stopsign" }), "planned stop"),
      h("span", {}, "bars: fasteners, the red top is not good"),
    );

  /** The ribbons of a view's sheet; the view keeps what is drawn, so that it can be drawn again. */
  ZL.ribbons = (view) => {
    const { sheet } = view;
    view.most = most(sheet);
    const rows = sheet.cells.map((cell) => {
      const parts = [behind(sheet, view), cell.ribbons.map((ribbon) => lane(view, cell, ribbon))];
      const who = h("div", { class: "who" }, whoParts(sheet, cell));
      const row = h("div", { class: "cell" }, who, h("div", { class: "lanes" }, parts));
      view.cells.set(cell.figures.unit, row);
      return row;
    });
    const words = "The plant model has no cell here at this time.";
    const none = sheet.cells.length ? null : h("p", { class: "none" }, words);
    return h(
      "section",
      { "aria-labelledby": "what-happened" },
      h("h2", { id: "what-happened" }, "What happened"),
      key(),
      h("div", { class: "cells" }, axis(view), none, rows, view.readout),
    );
  };

  const renewLane = (view, cell, row, ribbon) => {
    view.drawn.get(ribbon.unit).change(ZL.piecesOf(ribbon, view.sheet));
    const used = cell.figures.zones[ZL.last(ribbon.unit)];
    const words = row.querySelector(`[data-words="${CSS.escape(ribbon.unit)}"]`);
    if (used && words) words.textContent = worked(used);
    const pace = paceOf(view.sheet, ribbon.unit);
    const strip = view.strips.get(ribbon.unit);
    if (pace && strip) strip.change(pace, view.most);
  };

  /** Show newer figures and pieces of the same cells, where they stand. */
  ZL.renewRibbons = (view) => {
    view.most = most(view.sheet);
    for (const cell of view.sheet.cells) {
      const row = view.cells.get(cell.figures.unit);
      ZL.refill(row.querySelector(".who"), whoParts(view.sheet, cell));
      row.querySelectorAll(".stop, .nowline").forEach((one) => one.remove());
      row.querySelector(".lanes").prepend(...behind(view.sheet, view));
      for (const ribbon of cell.ribbons) renewLane(view, cell, row, ribbon);
    }
  };
})();
