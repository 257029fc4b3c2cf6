/* The shift sheet: a page for a line or cell and a window, from what /v1/sheet answers; it follows while that lasts. */
"use strict";

(() => {
  const { h, fill, refill } = ZL;
  const EVERY_MS = 10000;
  const LEAST_PAUSE_MS = 400;
  /* What is booked into a window that is over can wait. */
  const OVER_EVERY_MS = 30000;
  /* Reading takes at most a sixth of the time, so that the service has more to do than this. */
  const PAUSE_PER_READING = 5;
  const HINT =
    "Point at a ribbon, or go to it by Tab and along it by the arrow keys; Enter shows the messages behind it.";
  const main = ZL.byId("main");
  const { unit, query } = ZL.place();
  /* Without a query, or one that moves with time, the sheet goes on to the shift that begins next. */
  const moves = ["now", "last"].includes(query.get("shift"));
  const isLatest = !query.toString() || moves;
  let view = null;
  let tookMs = 0;
  let arrived = 0;

  const viewOf = (sheet) => {
    const origin = new Date(sheet.start).getTime();
    const readout = h("output", { class: "readout", "aria-live": "polite" }, HINT);
    return {
      sheet,
      clock: ZL.clockFor(sheet),
      origin,
      length: (new Date(sheet.end) - origin) / 1000,
      readout,
      drawn: new Map(),
      strips: new Map(),
      cells: new Map(),
      tell: (words) => (readout.textContent = words),
      soon,
    };
  };

  const show = (sheet) => {
    view = viewOf(sheet);
    document.title = `${ZL.shiftName(sheet.label, view.clock, sheet.start)} · ${sheet.unit} · Zoneledger`;
    ZL.top(ZL.trail(sheet));
    fill(main, head(sheet), ZL.ribbons(view), tables());
    drawTexts();
    redraw();
    performance.measure("shown", { start: arrived, end: performance.now() });
  };

  /** The head, in which what the reader fills in is made once, and the rest by drawTexts. */
  const head = (sheet) => {
    const title = h("h1", {}, ZL.shiftName(sheet.label, view.clock, sheet.start));
    const line = h("div", { class: "window" }, h("div", { id: "when" }), ZL.otherWindow(sheet));
    return h("div", { id: "head" }, title, line, h("div", { id: "says" }));
  };

  const tables = () => h("div", {}, h("div", { id: "lost" }), ZL.questions(), h("div", { id: "rest" }));

  const drawTexts = () => {
    const { sheet, clock } = view;
    const two = h("div", { class: "two" }, ZL.ledger(sheet), ZL.ranked(sheet));
    refill(ZL.byId("when"), ZL.windowLine(sheet, clock));
    fill(ZL.byId("says"), ZL.sentence(sheet), ZL.scale(sheet), ZL.heed(sheet));
    refill(ZL.byId("lost"), ZL.asTables(sheet), two);
    ZL.renewQuestions(view);
    refill(ZL.byId("rest"), ZL.notes(view), ZL.panels(sheet, clock), readAt(sheet, clock));
  };

  const readAt = (sheet, clock) => {
    const changes = sheet.figures.revision - 1;
    const revised = changes > 0 ? `, after ${ZL.count(changes, "later change")} of its figures` : "";
    const when = `${clock.second(sheet.now)} on ${clock.date(sheet.now)}`;
    return h("p", { class: "soft" }, `Read at ${when}${revised}. All of this page is of that moment.`);
  };

  const redraw = () => {
    if (!view) return;
    for (const one of [...view.drawn.values(), ...view.strips.values()]) one.draw();
  };

  const shape = (sheet) => {
    const units = sheet.cells.map((cell) => cell.ribbons.map((ribbon) => ribbon.unit));
    return JSON.stringify([sheet.start, sheet.end, sheet.stops, units]);
  };

  /** Show newer figures of the same window without losing where the reader is. */
  const renew = (sheet) => {
    if (shape(sheet) !== shape(view.sheet)) {
      show(sheet);
      presents();
      return;
    }
    view.sheet = sheet;
    ZL.renewRibbons(view);
    drawTexts();
    if (!lasts()) document.querySelectorAll("[data-state]").forEach((place) => fill(place));
  };

  const load = async () => {
    const began = performance.now();
    try {
      const sheet = await ZL.get(`/v1/sheet/${ZL.pathOf(unit)}${ZL.queryOf()}`);
      await ZL.known;
      arrived = performance.now();
      tookMs = arrived - began;
      if (view) {
        renew(sheet);
      } else {
        show(sheet);
        follow();
      }
      ZL.standing("");
    } catch (error) {
      if (view) ZL.standing(ZL.notRenewed(error));
      else notShown(error);
    }
  };

  let next = null;
  /** Say why there is no sheet; of a shift that moves with time it is asked again, as there is none in a break. */
  const notShown = (error) => {
    ZL.notShown(main, error, soon);
    if (!moves || error.status !== 404) return;
    clearTimeout(next);
    next = setTimeout(again, EVERY_MS);
  };
  const again = () => {
    if (document.hidden) next = setTimeout(again, EVERY_MS);
    else soon();
  };

  const soon = ZL.renewing(load, () => Math.max(LEAST_PAUSE_MS, PAUSE_PER_READING * tookMs));
  const lasts = () => ZL.lasts(view.sheet);

  let later = null;
  /** Renew the sheet for what was booked: soon while its window lasts, and seldom once it is over. */
  const booked = () => {
    if (lasts()) soon();
    else if (!later) later = setTimeout(overdue, Math.max(0, arrived + OVER_EVERY_MS - performance.now()));
  };
  const overdue = () => {
    later = null;
    soon();
  };

  const present = (one) => {
    const place = document.querySelector(`[data-state="${CSS.escape(one.unit)}"]`);
    if (place) fill(place, "now: ", ZL.sign(one.state), ZL.because(one, ", "));
  };

  const presents = async () => {
    if (!lasts()) return;
    try {
      const { sites } = await ZL.get("/v1/units");
      if (!lasts()) return;
      const cells = sites.flatMap((site) => site.lines.flatMap((line) => line.cells));
      cells.flatMap((cell) => [cell, ...cell.zones]).forEach(present);
    } catch (error) {
      ZL.standing(ZL.notRenewed(error));
    }
  };

  const follow = () => {
    ZL.follow(unit, {
      anew: () => {
        presents();
        soon();
      },
      state: (one) => {
        if (!lasts()) return;
        present(one);
        soon();
      },
      figures: booked,
      plant: soon,
      lost: ZL.lost,
    });
    setInterval(() => !document.hidden && (lasts() || isLatest) && booked(), EVERY_MS);
  };

  const keys = (event) => {
    if (!event.altKey || !view || !(event.key === "PageUp" || event.key === "PageDown")) return;
    const link = document.querySelector(event.key === "PageUp" ? "a[rel=prev]" : "a[rel=next]");
    if (link) {
      event.preventDefault();
      link.click();
    }
  };

  let waiting = null;
  document.addEventListener("keydown", keys);
  document.addEventListener("shade", redraw);
  addEventListener("resize", () => {
    cancelAnimationFrame(waiting);
    waiting = requestAnimationFrame(redraw);
  });
  addEventListener("beforeprint", () => {
    document.querySelectorAll("details").forEach((one) => one.removeAttribute("open"));
  });
  ZL.watch(soon);
  load();
})();
