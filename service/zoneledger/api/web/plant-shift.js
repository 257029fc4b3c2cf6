/* What the present shift of each line has come to so far, in one short sentence, renewed now and then. */
"use strict";

(() => {
  const { h } = ZL;
  const MOST_LINES = 20;
  const EVERY_MS = 15000;
  const LOOK_MS = 3000;
  const MINUTE_MS = 60000;
  const shifts = new Map();
  const words = new Map();
  let lines = [];
  let renewing = false;
  let renewed = -EVERY_MS;

  /** The shift in which a line is now, asked for again once it is over; nothing between shifts. */
  const presentShift = async (line) => {
    const now = ZL.now();
    const kept = shifts.get(line);
    if (kept && now < new Date(kept.end)) return kept;
    const [start, end] = [-MINUTE_MS, MINUTE_MS].map((apart) => new Date(now + apart).toISOString());
    const found = await ZL.get(`/v1/shifts/${ZL.pathOf(line)}?${new URLSearchParams({ start, end })}`);
    const shift = found.shifts.find((one) => !one.over && new Date(one.start) <= now) || null;
    shifts.set(line, shift);
    return shift;
  };

  const tell = (shift, { oee, known, fasteners }) => {
    const name = shift.split("/")[1];
    const first = `${name[0].toUpperCase()}${name.slice(1)} shift so far: `;
    if (known === 0) return `${first}unknown, as no evidence came.`;
    const ratio = oee === null ? "" : `OEE ${ZL.percent(oee)}, `;
    const doubt = known !== null && known < 1 ? "; some of its time is unknown" : "";
    return `${first}${ratio}${ZL.number(fasteners.made)} fasteners made${doubt}.`;
  };

  const read = async (line) => {
    try {
      const shift = await presentShift(line);
      if (!shift) return "";
      const query = new URLSearchParams({ shift: shift.shift });
      return tell(shift.shift, await ZL.get(`/v1/kpi/${ZL.pathOf(line)}?${query}`));
    } catch (error) {
      /* Where the service is away, what was read stays; what it refuses is shown as nothing. */
      if (!(error instanceof ZL.Refused)) return words.get(line);
      shifts.delete(line);
      return "";
    }
  };

  const write = (place, line) => {
    place.textContent = words.get(line) || "";
    place.hidden = !place.textContent;
    return place;
  };

  const renew = async () => {
    if (renewing || document.hidden || performance.now() - renewed < EVERY_MS) return;
    renewing = true;
    renewed = performance.now();
    for (const line of lines) {
      words.set(line, await read(line));
      const place = document.querySelector(`[data-so-far="${CSS.escape(line)}"]`);
      if (place) write(place, line);
    }
    renewing = false;
  };

  /** Make the place of a line's sentence, with what was read last. */
  ZL.soFar = (line) => write(h("p", { class: "soft figure", "data-so-far": line }), line);

  /** Keep the sentences of these lines, or the first of them, of now; one line is asked for after the other. */
  ZL.keepSoFar = (units) => {
    lines = units.slice(0, MOST_LINES);
    renew();
  };

  setInterval(renew, LOOK_MS);
})();
