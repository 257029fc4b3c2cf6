/* Who is logged in, a way to log out, and the way to the page to log in at once a session is over. */
"use strict";

(() => {
  const { h } = ZL;
  const SESSION = "/v1/session";
  let who = null;
  /** Why the last try to log out was none. It stays beside the button, whatever else the page tells meanwhile. */
  let failed = null;

  /** Go to the page to log in at: the service answers with it at this very address, and goes on here afterwards.
      A reload would bring no session along where a link of elsewhere led here. */
  ZL.logIn = () => {
    if (!ZL.answers) location.replace(`${location.origin}${location.pathname}${location.search}`);
  };

  const logOut = async () => {
    try {
      const answer = await fetch(SESSION, { method: "DELETE" });
      if (answer.ok) {
        location.assign("/login");
        return;
      }
      failed = `Not logged out. ${(await answer.json()).detail}`;
    } catch {
      failed = "Not logged out: the service does not answer.";
    }
    ZL.showWho(true);
  };

  /** The place in the top line; a page that has nothing to show has not drawn that, and gets one all the same. */
  const place = () => {
    const there = ZL.byId("who");
    if (there) return there;
    const made = h("span", { id: "who", class: "spread screen" });
    ZL.byId("top").append(made);
    return made;
  };

  /** Show who is logged in, where somebody is; a page that nobody has to log in to shows nothing.
      What is new is read out, once. */
  ZL.showWho = (isNew = false) => {
    if (!who || who.by !== "session") return;
    const out = h("button", { id: "log-out", type: "button", class: "quiet", onclick: logOut }, "Log out");
    const told = failed && h("span", { role: isNew && "alert" }, failed);
    ZL.refill(place(), h("span", { class: "soft" }, h("bdi", {}, who.name)), " ", out, told);
  };

  const look = async () => {
    try {
      who = await ZL.get(SESSION);
      ZL.showWho();
    } catch {
      /* what the page itself asks for tells why */
    }
  };

  /** Look whether the session still is one: a stream that is refused does not say why. */
  ZL.checkSession = look;

  /** Whether who is logged in reaches a unit; of nobody, and before that is known, it is not said that they do not. */
  ZL.reaches = (unit) => !who || !who.units || who.units.some((one) => `${unit}/`.startsWith(`${one}/`));

  if (ZL.answers) return;
  /* A page that comes back from the browser's memory may be one of a session that is over. */
  addEventListener("pageshow", (event) => event.persisted && look());
  /** Done once it is known who is logged in, or cannot be. */
  ZL.known = look();
})();
