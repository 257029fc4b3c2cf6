/* The first page: every line with its cells and zones as they stand now. */
"use strict";

(() => {
  const { h } = ZL;
  const PAUSE_MS = 300;
  const LONG_MS = 20 * 3600 * 1000;
  const main = ZL.byId("main");
  let shown = false;

  const since = (one, clock) => {
    if (!one.since) return "";
    const long = ZL.now() - new Date(one.since) > LONG_MS;
    return ` since ${long ? clock.both(one.since) : clock.minute(one.since)}`;
  };

  const isUnheardOf = ({ state, reason }) => state === "unknown" && reason === null;
  const because = (zone) => (isUnheardOf(zone) ? ", never heard of" : ZL.because(zone, ", "));

  const zoneItem = (zone, clock) =>
    h(
      "li",
      { "data-unit": zone.unit },
      `zone ${ZL.last(zone.unit)} `,
      ZL.sign(zone.state),
      because(zone),
      h("span", { class: "soft" }, since(zone, clock)),
    );

  const cellRow = (cell, clock) =>
    h(
      "div",
      { class: "plant-cell" },
      h("h3", {}, h("a", { href: `/sheet/${ZL.pathOf(cell.unit)}` }, ZL.last(cell.unit))),
      h("ul", {}, cell.zones.map((zone) => zoneItem(zone, clock))),
      h("a", { class: "soft", href: `/commissioning/${ZL.pathOf(cell.unit)}` }, "its messages"),
    );

  const lineBlock = (line, clock) => {
    const none = h("p", { class: "none" }, "The plant model names no cell of this line.");
    const href = `/sheet/${ZL.pathOf(line.unit)}`;
    return h(
      "section",
      {},
      h("h2", {}, ZL.link({ href, unit: line.unit }, `${ZL.last(line.unit)}: shift sheet`)),
      ZL.soFar(line.unit),
      line.cells.length ? line.cells.map((cell) => cellRow(cell, clock)) : none,
    );
  };

  const siteBlock = (site) => {
    const link = ZL.link({ href: `/sheet/${ZL.pathOf(site.unit)}`, unit: site.unit }, site.unit);
    const clock = ZL.clockOf(site.timezone);
    const title = h("h1", {}, link, h("span", { class: "soft" }, ` · ${site.timezone}`));
    return h("div", {}, title, site.lines.map((line) => lineBlock(line, clock)));
  };

  const empty = () => {
    const why =
      "Zoneledger has to know lines, cells, zones, shifts and standards before it can tell figures. " +
      "Messages that come meanwhile are kept, and can be offered again.";
    const how = "Write a plant.yaml as “How to declare the plant” in the documentation says, and send it:";
    const command = `curl -T plant.yaml -H 'content-type: application/yaml' ${location.origin}/v1/plant`;
    const title = h("h2", {}, "No plant is declared yet");
    return h("section", {}, title, h("p", {}, why), h("p", {}, how), h("p", {}, h("code", { class: "raw" }, command)));
  };

  const undeclared = (cells) => {
    if (!cells.length) return null;
    const [its, they] = cells.length === 1 ? ["its", "it is"] : ["their", "they are"];
    const words = `${cells.join(", ")}: ${its} ledger is kept, and counts again once ${they} declared.`;
    const title = h("h2", {}, "Cells that the plant model does not name");
    return h("div", { class: "heed" }, title, h("p", {}, words));
  };

  const show = (units) => {
    const { sites } = units;
    const blocks = sites.map(siteBlock);
    if (!shown) ZL.top(h("span", { class: "trail" }, "All lines, as they stand now"));
    const none = [h("h1", { class: "unseen" }, "All lines"), empty()];
    ZL.refill(main, sites.length ? blocks : none, undeclared(units.undeclared));
    const clocks = sites.map((site) => ZL.clockOf(site.timezone));
    ZL.keepSoFar(sites.flatMap((site, k) => site.lines.map((line) => ({ unit: line.unit, clock: clocks[k] }))));
  };

  const follow = () => ZL.follow("", { anew: soon, state: soon, plant: soon, lost: ZL.lost });

  const load = async () => {
    try {
      const units = await ZL.get("/v1/units");
      await ZL.known;
      show(units);
      if (!shown) follow();
      shown = true;
      ZL.standing("");
    } catch (error) {
      if (shown) ZL.standing(ZL.notRenewed(error));
      else ZL.notShown(main, error, soon);
    }
  };

  const soon = ZL.renewing(load, () => PAUSE_MS);
  ZL.watch(soon);
  load();
})();
