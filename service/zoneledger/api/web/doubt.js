/* What may be said of an OEE: one figure where it is nearly sure, its bounds where it is not, and no comparison that
   they do not bear out. Figures are those of /v1/kpi. */
"use strict";

(() => {
  /* Where an OEE may lie within more than this, no single figure is told of it. */
  const VAGUE = 0.1;
  /* Ratios are told to a tenth of a point: what is closer than half of that is told as the same. */
  const SAME = 0.0005;

  /* So little unknown time changes no whole per cent. */
  const SLIGHT = 0.005;

  const bounds = ({ oee, oee_bounds: [low, high] }) => [low ?? oee, high ?? oee];
  const within = ([low, high]) => `${ZL.percent(low)} and ${ZL.percent(high)}`;
  const isSure = (figures) => {
    const [low, high] = bounds(figures);
    return ZL.percent(low) === ZL.percent(high);
  };

  /** Whether so much is unknown that a single figure of an OEE would mislead. */
  ZL.isVague = (figures) => {
    const [low, high] = bounds(figures);
    return figures.oee === null || high - low > VAGUE;
  };

  /** Tell between what an OEE lies where that is more than one figure; nothing where it is sure. */
  ZL.between = (figures) => (isSure(figures) ? "" : `between ${within(bounds(figures))}`);

  /** Tell an OEE: a figure with its bounds where they differ, or the bounds alone where they lie far apart. */
  ZL.oee = (figures) => {
    if (figures.known === 0) return "unknown";
    if (ZL.isVague(figures)) return ZL.between(figures) || ZL.percent(figures.oee);
    const doubt = ZL.between(figures);
    return `${ZL.percent(figures.oee)}${doubt ? ` (${doubt})` : ""}`;
  };

  /** Tell that a number of planned time is at least so much where enough of that time is unknown; nothing elsewhere. */
  ZL.atLeast = (unknown, planned) => (unknown > SLIGHT * planned ? "at least " : "");

  const YOUNG_MS = 1800000;
  const ageMs = (sheet) => new Date(sheet.until) - new Date(sheet.start);

  /** Whether a window that lasts has only begun, so that nothing is held against it yet. */
  ZL.isYoung = (sheet) => ZL.lasts(sheet) && ageMs(sheet) < YOUNG_MS;

  /** Tell how long a window has lasted. */
  ZL.age = (sheet) => ZL.length(ageMs(sheet) / 1000);

  /** Return a promised OEE as figures that an OEE can be compared with. */
  ZL.promise = (oee) => ({ oee, oee_bounds: [oee, oee], known: 1 });

  const side = (own, other) => {
    const [[low, high], [otherLow, otherHigh]] = [bounds(own), bounds(other)];
    return Number(low > otherHigh) - Number(high < otherLow);
  };

  /** Tell how an OEE lies to another one, by words for under, over and the same; null where bounds overlap. */
  ZL.apart = (own, other, [under, over, same]) => {
    if (isSure(own) && isSure(other) && Math.abs(own.oee - other.oee) < SAME) return same;
    const lies = side(own, other);
    if (!lies) return null;
    const points = ZL.isVague(own) || ZL.isVague(other) ? "" : `${ZL.points(own.oee - other.oee)} `;
    return points + (lies < 0 ? under : over);
  };
})();
