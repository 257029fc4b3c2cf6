/* Asking the service, and telling in its own words what it refuses. */
"use strict";

(() => {
  /* The service gives up its costliest answers after a minute. */
  const WITHIN_MS = 65000;
  const AGAIN_MS = 5000;

  /** What the service refused, with its own words. */
  class Refused extends Error {
    constructor(status, problem) {
      super(problem.detail || problem.title || `The service answered ${status}.`);
      this.status = status;
      this.title = problem.title || "The service did not answer as expected";
    }
  }
  ZL.Refused = Refused;

  const passes = (error) => error instanceof Refused && (error.status === 429 || error.status >= 500);

  let aheadMs = -Infinity;

  /* An answer that the browser had kept has an old date: the one that is farthest ahead holds. */
  const heard = (response) => {
    const told = Date.parse(response.headers.get("date"));
    if (told) aheadMs = Math.max(aheadMs, told - performance.now());
  };

  /** Return the present time by the service's clock, to a second; by the browser's before the service answered. */
  ZL.now = () => (aheadMs === -Infinity ? Date.now() : performance.now() + aheadMs);

  /** Whether a question was not answered at all since the service was last seen to be there: ZL.watch looks for it. */
  ZL.away = false;

  const read = async (response) => {
    heard(response);
    const text = await response.text();
    let body = {};
    try {
      body = JSON.parse(text);
    } catch {
      const detail = `The service answered ${response.status}, and not in JSON.`;
      body = { title: "The answer cannot be read", detail };
    }
    if (response.status === 401) ZL.logIn();
    if (!response.ok) throw new Refused(response.status, body);
    return body;
  };

  const ask = async (path, options, withinMs) => {
    try {
      return await read(await fetch(path, { ...options, signal: AbortSignal.timeout(withinMs) }));
    } catch (error) {
      if (!(error instanceof Refused)) ZL.away = true;
      throw error;
    }
  };

  /** Ask the service; throws Refused with its own words where it refuses. */
  ZL.get = async (path, { withinMs = WITHIN_MS } = {}) => {
    if (!ZL.answers) return ask(path, { headers: { accept: "application/json" } }, withinMs);
    if (path in ZL.answers) return ZL.answers[path];
    const detail = "This page was saved as a file, and the service is not asked from it.";
    throw new Refused(0, { title: "Not on this sheet", detail });
  };

  /** Send the service something; throws Refused with its own words where it refuses. */
  ZL.post = (path, body) => {
    const headers = { "content-type": "application/json" };
    return ask(path, { method: "POST", headers, body: JSON.stringify(body) }, WITHIN_MS);
  };

  /** Tell why something was not read or kept. */
  ZL.why = (error) => (error instanceof Refused ? error.message : "The service does not answer.");

  /** Tell why what is shown was not renewed. */
  ZL.notRenewed = (error) =>
    error instanceof Refused
      ? `Not renewed: ${error.message}`
      : "The service does not answer; what is shown was read before. It is asked again.";

  /** Show what went wrong in the service's own words, with what to do next. */
  ZL.failed = (error) => {
    const refused = error instanceof Refused;
    const silent = "No answer came back. Figures shown before, if any, are those of the time beside them.";
    return ZL.h(
      "section",
      { class: "failed", role: "alert" },
      ZL.h("h1", {}, refused ? error.title : "The service cannot be reached"),
      ZL.h("p", {}, refused ? error.message : silent),
      ZL.answers ? null : ways(),
    );
  };

  const ways = () =>
    ZL.h("p", {}, ZL.h("a", { href: "/" }, "All lines"), " · ", ZL.h("a", { href: location.href }, "Try again"));

  /** Show in `main` why there is nothing to show; `again` is called in some seconds where the service was only busy. */
  ZL.notShown = (main, error, again) => {
    ZL.refill(main, ZL.failed(error));
    if (passes(error)) setTimeout(again, AGAIN_MS);
  };
})();
