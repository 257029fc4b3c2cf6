/* The parts of the commissioning page: findings first, then what they rest on. */
"use strict";

(() => {
  const { h } = ZL;
  const NOT_KNOWN =
    "Whether the contract was kept cannot be said: there is no breach in what was read, but more came. " +
    "Look at less time.";
  const SEEN_ALL = "Snapshots count what events told.";
  const NO_SNAPSHOT = "No snapshot came in this time, so what events told could not be held against any.";
  const section = (title, ...children) => h("section", {}, h("h2", {}, title), children);
  const none = (words) => h("p", { class: "none" }, words);
  const bdi = (text) => h("bdi", {}, text);
  const when = (clock, value) => (value ? clock.second(value) : "–");

  const notAll = (shown, all) =>
    shown && shown < all ? h("p", { class: "soft" }, `Shown are the last ${shown} of ${ZL.number(all)}.`) : null;

  const finding = (one, clock) => {
    const from = one.first && one.first !== one.last ? `${when(clock, one.first)} to ` : "";
    return h(
      "div",
      { class: `finding ${one.severity}` },
      h("b", {}, one.severity === "breach" ? "Breaks the contract: " : "Advice: "),
      bdi(one.text),
      one.last ? h("span", { class: "soft" }, ` (${from}${when(clock, one.last)})`) : "",
      h("span", { class: "soft figure" }, ` · ${one.code}`),
    );
  };

  /** Whether the contract was kept, and each finding. */
  ZL.verdict = (seen, clock) => {
    const breaches = seen.findings.filter((one) => one.severity === "breach").length;
    const broken = `The contract was not kept: ${ZL.count(breaches, "breach", "breaches")}.`;
    const told = seen.kept ? "The contract was kept." : broken;
    const [start, end] = [seen.start, seen.end].map(clock.second);
    const looked = `Looked at: ${start} to ${end}, as all times in ${clock.zone}.`;
    const words = [seen.kept === null ? NOT_KNOWN : told, " ", h("span", { class: "soft" }, looked)];
    const findings = seen.findings.map((one) => finding(one, clock));
    return [
      h("p", { class: "sentence", id: "verdict" }, words),
      findings.length ? findings : none("Nothing to say against it."),
    ];
  };

  const typeTable = (seen, clock) => {
    const row = ([name, one]) =>
      ZL.tr(ZL.rowHead(bdi(name)), ZL.n(ZL.number(one.number)), ZL.figure(when(clock, one.last)));
    const rows = [...Object.entries(seen.events), ["snapshot", seen.snapshots]].map(row);
    const heads = ["Type", { n: "Number" }, "Last, by the controller's clock"];
    return ZL.wide("Messages by type", ZL.table(heads, rows));
  };

  const offset = (seconds) => {
    if (seconds === null) return "";
    return ` Controller's clock: ${seconds >= 0 ? "+" : "−"}${Math.abs(seconds).toFixed(3)} s against the service's.`;
  };

  /** How many messages came, of which types, and by what link. */
  ZL.messages = (seen, clock) => {
    const { rate, link } = seen;
    const pause = (one, what) =>
      one ? `${what}: ${ZL.length(one.seconds)}, ${when(clock, one.start)} to ${when(clock, one.end)}. ` : "";
    const rates = [
      `${rate.per_minute.toFixed(1)} a minute. `,
      pause(rate.longest_silence, "Longest silence"),
      pause(rate.longest_between_snapshots, "Longest time between snapshots"),
    ];
    const linked = link.state
      ? `Link: ${link.state} since ${when(clock, link.since)}.`
      : "Nothing ever came on the link topic.";
    const links = h("p", {}, linked, offset(seen.clock_offset_s));
    return section("Messages", h("p", {}, rates), links, typeTable(seen, clock));
  };

  /** How many fasteners were told, and which were not. */
  ZL.fastenersTold = (seen) => {
    const unseen = Object.entries(seen.unseen).filter(([, number]) => number);
    const more = ([zone, number]) => h("li", {}, `Zone ${zone}: snapshots count ${number} more than events told.`);
    const never = seen.zones_never_told;
    return section(
      "Fasteners",
      h("p", {}, `${ZL.number(seen.fasteners)} made, ${ZL.number(seen.unrated)} of them without a standard.`),
      unseen.length ? h("ul", {}, unseen.map(more)) : none(seen.snapshots ? SEEN_ALL : NO_SNAPSHOT),
      never.length ? h("p", { class: "heed" }, `Never named by any message: zone ${never.join(", zone ")}.`) : null,
    );
  };

  /** The messages that were refused, with the reason of each. */
  ZL.refused = (seen, clock) => {
    const { number, by_reason: reasons, last } = seen.refused;
    if (!number) return section("Refused", none("Nothing was refused."));
    const row = (one) =>
      ZL.tr(
        ZL.figure(when(clock, one.arrived)),
        ZL.td(one.reason),
        ZL.td(bdi(one.detail)),
        ZL.td(h("code", { class: "raw" }, bdi(one.text))),
      );
    const counts = Object.entries(reasons).map(([name, times]) => `${name} ${times}`);
    const again = "They are kept, and can be offered again once the cause is mended: POST /v1/refused/retry.";
    return section(
      `Refused: ${ZL.number(number)}`,
      h("p", {}, counts.join(" · ")),
      ZL.wide("Refused messages", ZL.table(["Arrived", "Why", "In words", "As it came"], last.map(row))),
      notAll(last.length, number),
      h("p", { class: "soft" }, again),
    );
  };

  /** The events that never came, by gaps in their numbers. */
  ZL.missingEvents = ({ gaps }, clock) => {
    if (!gaps.number) return section("Missing events", none("None."));
    const numbers = (one) => [one.boot, one.first_seq, one.last_seq].map((number) => ZL.n(String(number)));
    const row = (one) => ZL.tr(numbers(one), ZL.figure(when(clock, one.until)));
    const heads = [{ n: "Start of the controller" }, { n: "First" }, { n: "Last" }, "Shown by a message of"];
    const many = `${ZL.count(gaps.events, "event")} in ${ZL.count(gaps.number, "gap")}`;
    const words = h("p", {}, `${many}: a gap closes by itself once what is missing is sent again.`);
    const table = ZL.wide("Gaps", ZL.table(heads, gaps.last.map(row)));
    return section("Missing events", words, table, notAll(gaps.last.length, gaps.number));
  };

  /** Where the controller contradicts itself. */
  ZL.contradictions = (seen, clock) => {
    const row = (kind, one) =>
      ZL.tr(
        ZL.figure(when(clock, one.at)),
        ZL.td(kind),
        ZL.td(one.zone || ""),
        ZL.n(String(one.seq)),
        ZL.td(bdi(one.detail)),
      );
    const rows = Object.entries(seen.discrepancies).flatMap(([kind, { last }]) => last.map((one) => row(kind, one)));
    const all = Object.values(seen.discrepancies).reduce((sum, { number }) => sum + number, 0);
    const heads = ["At", "Kind", "Zone", { n: "Number" }, "What does not fit"];
    const table = rows.length ? ZL.wide("Contradictions", ZL.table(heads, rows)) : none("None.");
    return section("Contradictions", table, notAll(rows.length, all));
  };

  /** The alarms that are active. */
  ZL.alarms = (seen, clock) => {
    const row = (one) =>
      ZL.tr(
        ZL.td(one.zone ? `zone ${one.zone}` : "whole cell"),
        ZL.td(bdi(one.code)),
        ZL.td(one.severity),
        ZL.figure(when(clock, one.raised)),
      );
    const rows = seen.alarms.map(row);
    const table = () => ZL.wide("Active alarms", ZL.table(["Where", "Code", "Severity", "Raised"], rows));
    return section("Alarms that are active", rows.length ? table() : none("None."));
  };

  /** What came of the cell since it was first heard of. */
  ZL.sinceEver = ({ since_ever: ever }) => {
    const [events, snapshots] = [ZL.count(ever.events, "event"), ZL.count(ever.snapshots, "snapshot")];
    const counts = `${events}, ${snapshots}, ${ZL.number(ever.duplicate)} known already`;
    const fields = Object.entries(ever.unknown_fields).map(([name, times]) => `${name} (${times})`);
    const ignored = "Fields that the contract does not have, ignored: ";
    return section(
      "Since the cell was first heard of",
      h("p", {}, `${counts}, ${ZL.number(ever.refused)} refused.`),
      fields.length ? h("p", {}, ignored, bdi(fields.join(", "))) : null,
    );
  };
})();
