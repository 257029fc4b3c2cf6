/* How a page goes on by itself: the live stream, renewals that do not crowd, and looks whether the service is there. */
"use strict";

(() => {
  const REOPEN_MS = 5000;
  /* A service that has gone away is told of within two of these, which a test holds to 20 s. */
  const LOOK_MS = 8000;

  const streamOf = (unit, on) => {
    const source = new EventSource(`/v1/live${unit ? `?unit=${encodeURIComponent(unit)}` : ""}`);
    for (const [name, handle] of Object.entries(on)) {
      if (name !== "lost") source.addEventListener(name, (event) => handle(JSON.parse(event.data)));
    }
    return source;
  };

  /** Open the live stream of a unit, again and again; `on` has a handler for each event that matters, and `lost`.
   *
   * A page that is not seen has none: a browser holds six connections to one host, and each stream is one of them.
   */
  ZL.follow = (unit, on) => {
    if (ZL.answers) return;
    let source = null;
    let broken = false;
    const close = () => {
      if (source) source.close();
      source = null;
    };
    const failed = () => {
      if (!broken) on.lost();
      broken = true;
      if (source.readyState !== EventSource.CLOSED) return;
      close();
      ZL.checkSession();
      setTimeout(open, REOPEN_MS);
    };
    const open = () => {
      if (source || document.hidden) return;
      source = streamOf(unit, on);
      source.addEventListener("open", () => (broken = false));
      source.addEventListener("error", failed);
    };
    open();
    addEventListener("pagehide", close);
    addEventListener("pageshow", open);
    document.addEventListener("visibilitychange", () => (document.hidden ? close() : open()));
  };

  /** Say that the live stream is broken off. */
  ZL.lost = () => {
    if (!ZL.away) ZL.standing("The live stream is broken off; it is tried again.");
  };

  /** Return what has a page loaded before long: never twice at once, and after a pause that leaves the service time. */
  ZL.renewing = (load, pauseMs) => {
    let due = false;
    let loading = false;
    const soon = () => {
      if (due) return;
      due = true;
      if (!loading) setTimeout(run, pauseMs());
    };
    const run = async () => {
      due = false;
      loading = true;
      await load();
      loading = false;
      if (due) setTimeout(run, pauseMs());
    };
    return soon;
  };

  /** Look again and again whether the service is there: say where it is not, and call `back` once it is. */
  ZL.watch = (back) => {
    if (ZL.answers) return;
    const look = async () => {
      try {
        await ZL.get("/health/live", { withinMs: LOOK_MS });
        if (ZL.away) back();
        ZL.away = false;
      } catch (error) {
        ZL.standing(ZL.notRenewed(error));
      }
      setTimeout(look, LOOK_MS);
    };
    setTimeout(look, LOOK_MS);
  };
})();
