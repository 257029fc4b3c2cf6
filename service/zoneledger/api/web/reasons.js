/* People's word on a piece of time: who speaks, a reason in two clicks, and taking it back. */
"use strict";

(() => {
  const { h } = ZL;
  const ROLE = "role";
  const UNDECLARED =
    "The plant model declares no roles and reasons for such time, so nobody can give one here: " +
    "see how to declare the plant.";
  let role = null;

  const recall = () => {
    try {
      return localStorage.getItem(ROLE);
    } catch {
      return null;
    }
  };
  const remembered = (roles) => {
    role = role || recall();
    return roles.includes(role) ? role : roles[0];
  };
  const remember = (value) => {
    role = value;
    try {
      localStorage.setItem(ROLE, value);
    } catch {
      /* it is asked for again next time */
    }
  };

  /** The choice of who speaks: a role, never a person; it is kept in this browser. */
  const roleChoice = (roles) => {
    const options = roles.map((one) => h("option", { selected: one === remembered(roles) }, one));
    const choice = h("select", { onchange: () => remember(choice.value) }, options);
    return h("label", {}, "Speaking as", choice);
  };

  const effect = (kept) =>
    kept.in_effect_s > 0
      ? `Kept: it counts for ${ZL.length(kept.in_effect_s)}.`
      : "Kept, but the ledger knows better now: it counts for nothing.";

  /** Return what does some work for a click, and nothing while that is under way or after it was kept. */
  const once = (buttons, work) => {
    let busy = false;
    const mark = (value) => {
      busy = value;
      for (const button of buttons()) button.setAttribute("aria-disabled", String(value));
    };
    return async (what) => {
      if (busy) return;
      mark(true);
      if (!(await work(what))) mark(false);
    };
  };

  /** Buttons for the reasons that may be given to time in a state; a click gives one, and `done` is told its effect. */
  ZL.reasonChips = (sheet, time, done) => {
    const fitting = sheet.reasons.filter((one) => one.states.includes(time.state));
    if (!sheet.roles.length || !fitting.length) return h("p", { class: "none" }, UNDECLARED);
    const note = h("input", { type: "text", maxlength: "500", size: "28", placeholder: "no names of people" });
    const said = h("p", { class: "said", role: "status" });
    const give = once(() => chips.children, async (reason) => {
      said.textContent = "…";
      try {
        const body = { unit: time.unit, start: time.start, end: time.end, reason, by: remembered(sheet.roles) };
        const more = note.value.trim();
        const kept = await ZL.post("/v1/reasons", more ? { ...body, note: more } : body);
        said.textContent = effect(kept);
        done(effect(kept));
        return true;
      } catch (error) {
        said.textContent = `Not kept. ${ZL.why(error)}`;
        return false;
      }
    });
    const chip = ({ reason, text }) =>
      h("button", { type: "button", onclick: () => give(reason), title: reason }, text || reason);
    const chips = h("div", { class: "chips", role: "group", "aria-label": "Reasons" }, fitting.map(chip));
    const asked = h("label", {}, "Note, if there is more to say", note);
    return h("div", {}, chips, h("div", { class: "by" }, roleChoice(sheet.roles), asked), said);
  };

  /** The button that undoes an entry; `done` is called once it is undone. */
  ZL.undoButton = (sheet, entry, done) => {
    const said = h("span", { role: "status" });
    const undo = once(() => [button], async () => {
      try {
        await ZL.post(`/v1/reasons/${entry}/undo`, { by: remembered(sheet.roles) });
        said.textContent = " Undone.";
        done();
        return true;
      } catch (error) {
        said.textContent = ` Not undone. ${ZL.why(error)}`;
        return false;
      }
    });
    const button = h("button", { type: "button", onclick: undo, "aria-label": `Undo entry ${entry}` }, "Undo");
    return h("span", {}, button, said);
  };
})();
