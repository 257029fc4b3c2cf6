/* Ribbons: a unit's states over the window on one time axis, walked by pointer and by key. */
"use strict";

(() => {
  const STEPS = { ArrowRight: 1, ArrowLeft: -1, ArrowUp: 1, ArrowDown: -1 };
  const TICKS_S = [300, 900, 1800, 3600, 7200, 14400, 28800, 86400, 172800];
  const WEEK_S = 604800;
  /* The first Monday of the epoch: weeks begin on Mondays, and all other steps fit into four days. */
  const MONDAY_S = 345600;
  const DAY_S = 86400;
  const MOST_TICKS = 12;

  /** The pieces of a ribbon as the answer of /v1/sheet tells them. */
  ZL.piecesOf = (ribbon, sheet) => {
    let from = 0;
    return ribbon.to_s.map((to, k) => {
      const piece = {
        unit: ribbon.unit,
        from,
        to,
        state: ZL.STATE[ribbon.states[k]],
        reason: sheet.reason_names[ribbon.reasons[k]],
        given: ribbon.given[k] || null,
        entry: ribbon.given_ids[k] || null,
      };
      from = to;
      return piece;
    });
  };

  /** Tell a piece in words. */
  ZL.tellPiece = (piece, clock, origin) => {
    const at = (seconds) => clock.exact(new Date(origin + seconds * 1000));
    const given = piece.given ? `, said to be ${piece.given}` : "";
    const what = `${piece.state}${ZL.because(piece, ", ")}${given}`;
    return `${what}, ${at(piece.from)} to ${at(piece.to)}, ${ZL.length(piece.to - piece.from)}`;
  };

  /** Return where an axis of time is marked by the site's own clock, and whether by days. */
  ZL.ticksOf = (start, end, clock) => {
    const length = (end - start) / 1000;
    const step = TICKS_S.find((one) => length / one <= MOST_TICKS) || WEEK_S;
    const instant = (local) => local - clock.offset(local - clock.offset(local));
    const first = Math.floor(((start + clock.offset(start)) / 1000 - MONDAY_S) / step) * step + MONDAY_S;
    const ticks = [];
    for (let local = first * 1000; ; local += step * 1000) {
      const at = instant(local);
      if (at >= end) return { ticks, days: step >= DAY_S };
      /* An hour that the clock leaves out falls on its neighbour. */
      if (at >= start && at !== ticks.at(-1)) ticks.push(at);
    }
  };

  const limits = ({ track, pieces, chosen }) => {
    track.setAttribute("aria-valuemax", String(Math.max(0, pieces.length - 1)));
    if (chosen >= 0) return;
    const words = pieces.length ? `${ZL.count(pieces.length, "piece")}; arrow keys go through them` : "nothing yet";
    track.setAttribute("aria-valuenow", "0");
    track.setAttribute("aria-valuetext", words);
  };

  /** Put the mark on a piece; return what it is in words. */
  const stand = (own, k) => {
    own.chosen = k;
    const piece = own.pieces[k];
    own.mark.hidden = false;
    ZL.put(own.mark, piece.from, piece.to, own.length);
    const words = own.told(piece);
    own.track.setAttribute("aria-valuenow", String(k));
    own.track.setAttribute("aria-valuetext", words);
    return words;
  };

  const choose = (own, k) => {
    const last = own.pieces.length - 1;
    if (last >= 0) own.tell(`${own.label}: ${stand(own, Math.max(0, Math.min(last, k)))}`);
  };

  /** Leave the mark where it stood in time: other pieces may have come before it. */
  const stayAt = (own, from) => {
    const k = own.pieces.findIndex((piece) => piece.to > from);
    own.chosen = -1;
    own.mark.hidden = true;
    if (k >= 0) stand(own, k);
  };

  const pointed = (own, event) => {
    const box = own.track.getBoundingClientRect();
    const seconds = ((event.clientX - box.left) / box.width) * own.length;
    return own.pieces.findIndex((piece) => piece.to > seconds);
  };

  const byPointer = (own) => {
    own.track.addEventListener("pointermove", (event) => {
      const k = pointed(own, event);
      if (k >= 0) own.tell(`${own.label}: ${own.told(own.pieces[k])}`);
    });
    own.track.addEventListener("click", (event) => {
      const k = pointed(own, event);
      if (k < 0) return;
      choose(own, k);
      own.open(own.pieces[k], own.track);
    });
  };

  const byKeys = (own) =>
    own.track.addEventListener("keydown", (event) => {
      if (event.altKey || event.ctrlKey || event.metaKey) return;
      if (event.key in STEPS) choose(own, own.chosen + STEPS[event.key]);
      else if (event.key === "Home") choose(own, 0);
      else if (event.key === "End") choose(own, own.pieces.length - 1);
      else if ((event.key === "Enter" || event.key === " ") && own.chosen >= 0) {
        own.open(own.pieces[own.chosen], own.track);
      } else return;
      event.preventDefault();
    });

  /** Make the ribbon of a unit. `open` is called with a piece when somebody wants its evidence. */
  ZL.ribbon = ({ label, pieces, length, origin, clock, height, tell, open }) => {
    const canvas = ZL.h("canvas", { class: "drawn", "aria-hidden": "true" });
    const mark = ZL.h("span", { class: "mark", hidden: true });
    const slider = { class: "ribbon", tabindex: "0", role: "slider", "aria-label": label, "aria-valuemin": "0" };
    const track = ZL.h("div", slider, canvas, mark);
    canvas.style.height = track.style.height = `${height}px`;
    const own = { label, pieces, length, tell, open, mark, track, chosen: -1 };
    own.told = (piece) => ZL.tellPiece(piece, clock, origin);
    own.draw = () => ZL.drawPieces(canvas, own.pieces, length, height);
    own.change = (next) => {
      const chosen = own.pieces[own.chosen];
      own.pieces = next;
      if (chosen) stayAt(own, chosen.from);
      limits(own);
      own.draw();
    };
    byPointer(own);
    byKeys(own);
    limits(own);
    return own;
  };
})();
