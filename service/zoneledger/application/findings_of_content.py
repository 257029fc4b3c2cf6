"""Judges what a controller tells: counts, ends, alarms, verdicts, what has no standard, and what the contract does not have."""

from collections.abc import Iterator

from zoneledger.application.findings import Finding, counted_rows, first_last, found, names_of, the_last
from zoneledger.application.hearing import Hearing, Standing
from zoneledger.application.stored import unknown_fields_of
from zoneledger.core.rows import Discrepancy
from zoneledger.core.validation import KNOWN_FIELDS
from zoneledger.wording import counted

#: Of messages that came twice, so many in a hundred, and no fewer than so many, are told of.
DUPLICATES_PERCENT, DUPLICATES = 5, 100


def _made(h: Hearing) -> Iterator[Finding]:
    reports = [report for snapshot in h.conditions for _, report in snapshot.zones]
    without = sum(report.made is None for report in reports)
    if without:
        yield found(
            "made_absent",
            f"{without} of {counted(len(reports), 'report', 'reports')} on zones in the last snapshots "
            f"{'has' if without == 1 else 'have'} no made: tell how many "
            "fasteners the zone made in this boot, so that lost ones are noticed",
            without,
        )


def _unseen(h: Hearing) -> Iterator[Finding]:
    unseen = {zone: number for zone, number in h.unseen.items() if number}
    rows = h.discrepancies["unseen"]
    if rows:
        told = ", ".join(f"{number:+,} in zone {zone}" for zone, number in sorted(unseen.items())) or "0 in sum"
        yield found(
            "made_differs",
            f"made rose by another number than the fasteners received, {counted_rows(rows, 'time', 'times')} ({told}): count in "
            "made exactly the fasteners of this boot that were sent as events, and begin with 0 at each start",
            len(rows),
            *first_last(rows),
        )


#: Of what ended that was not there: the finding, what it says of one and of several, and what to do.
_NOT_PRESENT = {
    "activity": (
        "activity_not_present",
        ("activity ended that was not the present one", "activities ended that were not the present one"),
        "a begin ends the activity before it by itself: end only what is present, under the name that it was begun with",
    ),
    "wait": (
        "wait_not_present",
        ("wait ended that was not the present one", "waits ended that were not the present one"),
        "a begin ends the wait before it by itself: end only the one that is present, with the same for",
    ),
    "alarm": (
        "alarm_not_active",
        ("alarm was cleared that was not active", "alarms were cleared that were not active"),
        "clear each alarm once, with the zone and code that it was raised with; a new boot has ended all of them",
    ),
}


def _ending(h: Hearing) -> Iterator[Finding]:
    kinds: dict[str, list[Discrepancy]] = {}
    for row in h.discrepancies["not_present"]:
        begun = (
            "wait" if row.detail.startswith("wait for ") else "alarm" if row.detail.startswith("alarm ") else "activity"
        )
        kinds.setdefault(begun, []).append(row)
    for kind, rows in kinds.items():
        code, what, remedy = _NOT_PRESENT[kind]
        text = f"{counted_rows(rows, *what)} ({the_last(rows)}{names_of([rows[0].detail])}): {remedy}"
        yield found(code, text, len(rows), *first_last(rows))


def _differing(h: Hearing) -> Iterator[Finding]:
    rows = h.discrepancies["snapshot_differs"]
    if rows:
        yield found(
            "snapshot_differs",
            f"snapshots and events told different things {counted_rows(rows, 'time', 'times')} ({the_last(rows)}"
            f"{names_of([rows[0].detail])}): send an event for each "
            "change, and make snapshots of the same state, in the same order; alarms in the order in which they were raised",
            len(rows),
            *first_last(rows),
        )


def _alarm_of(alarm: Standing) -> str:
    return f"{alarm.code} ({'zone ' + alarm.zone if alarm.zone else 'the whole cell'})"


def _alarms(h: Hearing) -> Iterator[Finding]:
    standing = [one for one in h.alarms if one.raised_us is None or one.raised_us < h.since_us] if h.within else []
    if standing:
        raised = [one.raised_us for one in standing if one.raised_us is not None]
        yield found(
            "alarm_never_cleared",
            f"{counted(len(standing), 'alarm was', 'alarms were')} raised before the time looked at and never cleared since: "
            f"{names_of(_alarm_of(one) for one in standing)}. Send a clear of each that is over",
            len(standing),
            min(raised, default=None),
        )


def _unmatched(h: Hearing) -> Iterator[Finding]:
    if h.unmatched:
        last = h.unmatched[0].verdict
        yield found(
            "verdicts_unmatched",
            f"{counted_rows(h.unmatched, 'verdict names', 'verdicts name')} a fastener that this cell never made, "
            f"{the_last(h.unmatched, 'the last one ')}panel {names_of([last.panel])} position "
            f"{names_of([last.position])}: send fasteners with panel and position, spelled as in the verdict",
            len(h.unmatched),
            h.unmatched[-1].at_us,
            h.unmatched[0].at_us,
        )


def _panels(h: Hearing) -> Iterator[Finding]:
    if h.made.without_panel:
        yield found(
            "panel_absent",
            f"of {counted(h.made.number, 'fastener', 'fasteners')} {h.made.without_panel:,} "
            f"{'has' if h.made.without_panel == 1 else 'have'} no panel, neither an own one nor the activity's: what has none "
            "counts in no panel pass, and no verdict can name it; give panel with each begin of an activity",
            h.made.without_panel,
        )


def _rating(h: Hearing) -> Iterator[Finding]:
    unrated = sum(h.made.unrated.values())
    if unrated:
        fasteners = counted(h.made.number, "fastener", "fasteners")
        rest = fasteners if unrated == h.made.number else f"{unrated:,} of {fasteners}"
        yield found(
            "nothing_rated" if unrated == h.made.number else "some_unrated",
            f"{rest} {'has' if unrated == 1 else 'have'} no standard ({names_of(sorted(h.made.unrated))}): what has none counts "
            "in no performance and no OEE; declare one in the plant model, or mend item and program",
            unrated,
        )


def _fields(h: Hearing) -> Iterator[Finding]:
    fields = unknown_fields_of(h.counts)
    if fields:
        yield found(
            "unknown_fields",
            f"{counted(len(fields), 'field', 'fields')} that the contract does not have came since the cell was first heard of, "
            f"and nothing is made of it: {names_of(sorted(fields))}. See that none is one of the contract's, misspelt",
            len(fields),
        )


def _types(h: Hearing) -> Iterator[Finding]:
    types = {name: kind for name, kind in h.events.items() if name not in KNOWN_FIELDS}
    if types:
        number = sum(kind.number for kind in types.values())
        yield found(
            "unknown_types",
            f"{counted(number, 'event is', 'events are')} of types that the contract does not have, without any effect: "
            f"{names_of(types)}. See that none is one of the contract's, misspelt",
            number,
            min(kind.first_us for kind in types.values()),
            max(kind.last_us for kind in types.values()),
        )


def _twice(h: Hearing) -> Iterator[Finding]:
    twice, once = h.counts.get("duplicate", 0), h.counts.get("events", 0) + h.counts.get("snapshots", 0)
    if twice >= DUPLICATES and twice * 100 > once * DUPLICATES_PERCENT:
        yield found(
            "duplicates_many",
            f"{twice:,} messages came again of {once:,} that are known: that does no harm; but see that what the "
            "broker has acknowledged is not sent again",
            twice,
        )


RULES = (_made, _unseen, _ending, _differing, _alarms, _unmatched, _panels, _rating, _fields, _types, _twice)
