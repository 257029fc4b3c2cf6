/* The page to log in at: it stands in the place of the page that was asked for, and goes on there. */
"use strict";

(() => {
  const { h } = ZL;
  const SESSION = "/v1/session";
  const WITHIN_MS = 20000;
  /* Whoever was let in and is here again so soon would come here for ever. */
  const AGAIN_MS = 10000;
  const TRIED = "let-in";
  const main = ZL.byId("main");

  /** Go where the reader wanted to: to this very path, and from the page of its own to the first one. The origin is
      written out, as a path that begins with two slashes would be read as another host. */
  const goOn = () => {
    const { origin, pathname, search } = location;
    location.replace(pathname === "/login" ? `${origin}/` : `${origin}${pathname}${search}`);
  };

  const lately = () => {
    try {
      const last = Number(sessionStorage.getItem(TRIED));
      sessionStorage.setItem(TRIED, String(Date.now()));
      return Date.now() - last < AGAIN_MS;
    } catch {
      return true;
    }
  };

  const ask = (options) => fetch(SESSION, { ...options, signal: AbortSignal.timeout(WITHIN_MS) });

  const whyNot = async (answer) => {
    try {
      const { detail, title } = await answer.json();
      return detail || title;
    } catch {
      return `The service answered ${answer.status}.`;
    }
  };

  const send = async (credential) => {
    const headers = { "content-type": "application/json" };
    const answer = await ask({ method: "POST", headers, body: JSON.stringify({ credential }) });
    return answer.ok ? null : whyNot(answer);
  };

  const form = () => {
    const field = h("input", {
      id: "credential",
      type: "password",
      autocomplete: "current-password",
      required: true,
      spellcheck: "false",
      autocapitalize: "none",
      "aria-describedby": "about",
    });
    const said = h("p", { id: "said", role: "alert" });
    const button = h("button", { type: "submit" }, "Log in");
    const log = async (event) => {
      event.preventDefault();
      if (button.getAttribute("aria-disabled") === "true") return;
      button.setAttribute("aria-disabled", "true");
      said.textContent = "…";
      try {
        /* Whoever was given the whole header has copied its first word, too. */
        const why = await send(field.value.trim().replace(/^bearer +/i, ""));
        if (why === null) {
          goOn();
          return;
        }
        said.textContent = `Not logged in. ${why}`;
      } catch {
        said.textContent = "Not logged in. The service does not answer.";
      }
      button.setAttribute("aria-disabled", "false");
      field.select();
    };
    const label = h("label", { for: "credential" }, "Key or token");
    return h("form", { class: "login", onsubmit: log }, label, field, button, said);
  };

  const about = () =>
    h(
      "p",
      { id: "about" },
      "Give the key, or the token of your identity provider, that you were given. It is checked, and not kept: " +
        "this browser keeps a session of twelve hours instead, which ends when you log out.",
    );

  const show = () => {
    ZL.byId("top").append(h("span", { class: "spread screen" }, ZL.shadeButton()));
    ZL.fill(main, h("h1", {}, "Log in"), about(), form());
    ZL.byId("credential").focus();
  };

  const begin = async () => {
    try {
      /* A link on a page of elsewhere brings no session along, though there is one: this question does. */
      if ((await ask({})).ok && !lately()) {
        goOn();
        return;
      }
    } catch {
      /* the form tells that the service does not answer, once it is used */
    }
    show();
  };

  begin();
})();
