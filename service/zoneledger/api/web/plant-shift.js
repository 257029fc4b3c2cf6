/* What the present shift of each line has come to, or when the next one begins: a sentence, renewed now and then. */
"use strict";

(() => {
  const { h } = ZL;
  const MOST_LINES = 20;
  const EVERY_MS = 15000;
  const LOOK_MS = 3000;
  const MINUTE_MS = 60000;
  /* So far ahead a line's next shift is looked for. */
  const AHEAD_MS = 4 * 86400000;
  const shifts = new Map();
  const words = new Map();
  let lines = [];
  let renewing = false;
  let renewed = -EVERY_MS;

  /** The shift in which a line is now, asked for again once it is over, or the next one; nothing without any. */
  const nearestShift = async (line) => {
    const now = ZL.now();
    const kept = shifts.get(line);
    if (kept && new Date(kept.start) <= now && now < new Date(kept.end)) return kept;
    const [start, end] = [-MINUTE_MS, AHEAD_MS].map((apart) => new Date(now + apart).toISOString());
    const found = await ZL.get(`/v1/shifts/${ZL.pathOf(line)}?${new URLSearchParams({ start, end })}`);
    const shift = found.shifts.find((one) => !one.over) || null;
    shifts.set(line, shift);
    return shift;
  };

  const nameOf = ({ shift }) => shift.split("/")[1];

  const tellNext = (shift, clock) => {
    const today = clock.day(new Date(ZL.now())) === clock.day(shift.start);
    const begins = today ? clock.minute(shift.start) : clock.both(shift.start);
    return `No shift now; the next one, ${nameOf(shift)}, begins at ${begins}.`;
  };

  const tell = (shift, figures) => {
    const { planned_s: planned, known, fasteners, time_s: time } = figures;
    const name = nameOf(shift);
    const first = `${name[0].toUpperCase()}${name.slice(1)} shift so far: `;
    if (known === 0) return `${first}unknown, as no evidence came.`;
    const ratio = planned ? `OEE ${ZL.oee(figures)}, ` : "";
    const doubt = time.unknown ? `; ${ZL.length(time.unknown)} of planned time is unknown` : "";
    const least = ZL.atLeast(time.unknown, planned);
    return `${first}${ratio}${least}${ZL.count(fasteners.made, "fastener")} made${doubt}.`;
  };

  const read = async ({ unit: line, clock }) => {
    try {
      const shift = await nearestShift(line);
      if (!shift) return "";
      if (new Date(shift.start) > ZL.now()) return tellNext(shift, clock);
      const query = new URLSearchParams({ shift: shift.shift });
      return tell(shift, await ZL.get(`/v1/kpi/${ZL.pathOf(line)}?${query}`));
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
      words.set(line.unit, await read(line));
      const place = document.querySelector(`[data-so-far="${CSS.escape(line.unit)}"]`);
      if (place) write(place, line.unit);
    }
    renewing = false;
  };

  /** Make the place of a line's sentence, with what was read last. */
  ZL.soFar = (line) => write(h("p", { class: "soft figure", "data-so-far": line }), line);

  /** Keep the sentences of these lines, each a `unit` with its `clock`, or of the first of them, of now; one line is
      asked for after the other. */
  ZL.keepSoFar = (present) => {
    lines = present.slice(0, MOST_LINES);
    renew();
  };

  setInterval(renew, LOOK_MS);
})();
