/* What the service makes of one cell's messages, for whoever commissions it; it is renewed by itself. */
"use strict";

(() => {
  const { h } = ZL;
  const HOURS = { 0.25: "15 min", 1: "1 h", 8: "8 h", 24: "24 h" };
  const EVERY_MS = 5000;
  const main = ZL.byId("main");
  const { unit, query } = ZL.place();
  const hours = query.get("hours") || "1";
  let clock = null;

  const choice = () => {
    const one = (value) =>
      value === hours
        ? h("b", { "aria-current": "true" }, HOURS[value])
        : h("a", { href: `?hours=${value}` }, HOURS[value]);
    const choices = ["0.25", "1", "8", "24"].map((value) => [one(value), " "]);
    return h("p", { class: "screen" }, "Look at the last ", choices);
  };

  const trail = () => {
    const steps = [h("a", { href: "/" }, "All lines"), " / ", h("a", { href: `/sheet/${ZL.pathOf(unit)}` }, unit)];
    return h("nav", { class: "trail", "aria-label": "Where this is" }, steps);
  };

  const show = (seen) =>
    ZL.refill(
      main,
      h("h1", {}, `What ${ZL.last(unit)} sends`),
      choice(),
      ZL.verdict(seen, clock),
      h("div", { class: "two" }, ZL.messages(seen, clock), ZL.fastenersTold(seen)),
      ZL.refused(seen, clock),
      ZL.missingEvents(seen, clock),
      ZL.contradictions(seen, clock),
      ZL.alarms(seen, clock),
      ZL.sinceEver(seen),
    );

  const begin = async () => {
    const { sites } = await ZL.get("/v1/units");
    clock = ZL.clockOf(sites.find((site) => site.unit === unit.split("/")[0]).timezone);
    document.title = `${unit}: its messages · Zoneledger`;
    ZL.top(trail());
  };

  const load = async () => {
    try {
      const seen = await ZL.get(`/v1/commissioning/${ZL.pathOf(unit)}?${new URLSearchParams({ hours })}`);
      if (!clock) await begin();
      show(seen);
      ZL.standing("");
    } catch (error) {
      if (!clock) {
        ZL.notShown(main, error, load);
        if (error instanceof ZL.Refused) return;
      } else ZL.standing(ZL.notRenewed(error));
    }
    setTimeout(load, EVERY_MS);
  };

  ZL.watch(() => {});
  load();
})();
