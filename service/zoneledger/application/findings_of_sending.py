"""Judges how a controller sends: numbering, what was refused, snapshots, zones, clock and link."""

from collections.abc import Iterator

from zoneledger.application.accept import AHEAD_US
from zoneledger.application.findings import (
    Finding,
    counted_rows,
    first_last,
    found,
    names_of,
    seconds_of,
    the_last,
    zones_named,
)
from zoneledger.application.hearing import HOUR_US, Hearing
from zoneledger.application.refusal_findings import REMEDIES
from zoneledger.core.hearing import falls_of, late_starts
from zoneledger.wording import counted

#: At least so often a snapshot is due, and how much later it may be before that is told.
SNAPSHOT_EVERY_US, SLACK_US = 10_000_000, 1_000_000
#: How long after its first event a boot may be without a snapshot: `at once`.
START_US = 5_000_000
#: A clock further off than this is told of.
DRIFT_US = 1_000_000
#: Events that arrive later than this are told of.
LATE_US = 60_000_000
#: More boots in an hour than this are told of.
BOOTS_PER_HOUR = 4


def _came_refused(h: Hearing, since_us: int) -> str:
    """Return how many messages came since then, by the controller's clock, and were refused; nothing where none was."""
    refused = h.refused_over(since_us, h.until_us + 1)  # one may have arrived at this very moment
    return f"{counted_rows(refused, 'message came and was', 'messages came and were')} refused" if refused else ""


def _coming(h: Hearing) -> Iterator[Finding]:
    if not h.within:
        came = _came_refused(h, h.since_us)
        yield found(
            "nothing_came",
            f"no message was taken in the time looked at, so nothing else can be judged: {came}; mend that first"
            if came
            else "no message came in the time looked at, so nothing can be judged: see that the controller runs, reaches the "
            f"broker and publishes as {h.cell}",
        )
    if h.strangers:
        number = sum(number for _, number in h.strangers)
        yield found(
            "cell_misnamed",
            f"{counted(number, 'message is', 'messages are')} refused of cells that the plant model does not name: "
            f"{names_of(name for name, _ in h.strangers)}. If one of them is this cell, mend the topic, or declare that name",
            number,
        )
    if h.is_cut:
        yield found(
            "not_all_read",
            "more messages came, or were refused, than are read for one answer: the oldest are left out; ask for fewer hours",
        )


def _missing(h: Hearing) -> Iterator[Finding]:
    gaps = [gap for gap in h.gaps if gap.until_us >= h.since_us]
    if gaps:
        missing, last = sum(gap.last_seq - gap.first_seq + 1 for gap in gaps), gaps[0]
        upto = f" to {last.last_seq}" if last.last_seq > last.first_seq else ""
        yield found(
            "events_missing",
            f"{counted(missing, 'event is', 'events are')} missing in {counted_rows(gaps, 'gap', 'gaps')}, "
            f"{the_last(gaps, 'the last one ')}boot {last.place.boot} seq {last.first_seq}{upto}: seq rises by exactly 1 with "
            "each event; keep each message until the broker has acknowledged it, and send what is missing again",
            missing,
            min(gap.until_us for gap in gaps),
            max(gap.until_us for gap in gaps),
        )


def _falls(h: Hearing) -> Iterator[Finding]:
    for fall in falls_of(h.told):
        if fall.last_us >= h.since_us:
            yield found(
                "boot_fell",
                f"boot {fall.boot} told something after boot {fall.higher} had: boot has to rise at each start, after a loss "
                "of power, too; keep its counter where it is not lost, and set it above the highest one",
                fall.boot,
                None,
                fall.last_us,
            )


def _restarts(h: Hearing) -> Iterator[Finding]:
    if h.boots - 1 > BOOTS_PER_HOUR * max(1.0, (h.end_us - h.start_us) / HOUR_US):
        yield found(
            "restarts_often",
            f"the controller told of {h.boots} boots: if it did not start so often, let boot rise at its start only, and "
            "not at each connection",
            h.boots,
        )


def _refused(h: Hearing) -> Iterator[Finding]:
    arrived: dict[str, list[int]] = {}
    for listed in h.refused:
        arrived.setdefault(listed.row.reason, []).append(listed.row.arrived_us)
    for reason, remedy in REMEDIES.items():
        if reason in arrived:
            last = next(listed.row.detail for listed in h.refused if listed.row.reason == reason)
            why = f"{the_last(arrived[reason], 'the last one ')}because {names_of([last])}"
            yield found(
                f"refused_{reason}",
                f"{counted_rows(arrived[reason], 'refused', 'refused')} as {reason}, {why}: {remedy.text}",
                len(arrived[reason]),
                min(arrived[reason]),
                max(arrived[reason]),
            )


def _snapshots(h: Hearing) -> Iterator[Finding]:
    if h.within and h.snapshots is None:
        yield found(
            "snapshots_none",
            f"no snapshot {'was taken' if h.refused else 'came'}: the cell is unknown until one is taken; send one at each "
            "start, after each reconnect and at least each 10 s",
        )
    elif h.apart is not None and (length_us := h.apart[1] - h.apart[0]) > SNAPSHOT_EVERY_US + SLACK_US:
        what = "were taken" if h.refused_over(*h.apart) else "came"
        yield found(
            "snapshots_rare",
            f"snapshots {what} up to {seconds_of(length_us)} apart; the contract asks for at least one each 10 s: send one by a "
            "timer, also when nothing changes",
            length_us / 1e6,
            *h.apart,
        )


def _starts(h: Hearing) -> Iterator[Finding]:
    late = [one for one in late_starts(h.told, START_US) if one.at_us >= h.since_us]
    if late:
        yield found(
            "snapshot_late_after_start",
            f"after {counted(len(late), 'start', 'starts')} no snapshot came within {seconds_of(START_US)} of the first event: "
            "send one at once after a start, with seq 0; until then the cell is unknown",
            len(late),
            late[0].at_us,
            late[-1].at_us,
        )


def _zones(h: Hearing) -> Iterator[Finding]:
    never = [zone for zone in h.zones if zone not in h.zones_told] if h.within else []
    if never:
        yield found(
            "zones_never_told",
            f"no message ever named {zones_named(never)}, which the plant model declares: list every zone in every "
            'snapshot, also one where nothing happens ("2": {}); or take them out of the plant model',
            len(never),
        )


def _unlisted(h: Hearing) -> Iterator[Finding]:
    listed = [{zone for zone, _ in snapshot.zones} for snapshot in h.conditions]
    unlisted = [zone for zone in h.zones if zone in h.zones_told and any(zone not in zones for zones in listed)]
    if unlisted:
        number = sum(any(zone not in zones for zone in unlisted) for zones in listed)
        which = "the last snapshot" if len(listed) == 1 else f"{number} of the last {len(listed)} snapshots"
        yield found(
            "zones_unlisted",
            f"{which} left out {zones_named(unlisted)}: a zone that a snapshot does not list is unknown until one lists it; list "
            "every zone each time, also one where nothing happens",
            number,
        )


def _clock(h: Hearing) -> Iterator[Finding]:
    ahead_us = h.present_clock_us or 0
    off_us = abs(ahead_us)
    if off_us > DRIFT_US:
        side = "ahead of the service's" if ahead_us > 0 else "behind the service's, or each message comes so late"
        yield found(
            "clock_off" if off_us > AHEAD_US else "clock_drifts",
            f"the controller's clock is {seconds_of(off_us)} {side}: set it by the network (NTP), in UTC or with the right "
            "offset",
            ahead_us / 1e6,
        )


def _clock_steps(h: Hearing) -> Iterator[Finding]:
    rows = h.discrepancies["clock_not_believed"]
    if rows:
        yield found(
            "clock_not_believed",
            f"{counted_rows(rows, 'message has', 'messages have')} a time more than 60 s below that of an earlier one, which "
            "is not believed, so that time is unknown: set the clock by the network, do not step it back, and see that boot rises",
            len(rows),
            *first_last(rows),
        )
    rows = h.discrepancies["clock_back"]
    if rows:
        yield found(
            "clock_back",
            f"{counted_rows(rows, 'message has', 'messages have')} a time below that of the message before ({the_last(rows)}"
            f"{names_of([rows[0].detail])}): take at when the event happens, in the order of seq, and let the clock be "
            "slewed, not stepped",
            len(rows),
            *first_last(rows),
        )


def _link(h: Hearing) -> Iterator[Finding]:
    if h.within and h.link is None and h.listens:
        yield found(
            "link_never_told",
            'the link topic never told anything: publish {"v": 1, "link": "up", "boot": n} there, retained, after each '
            'connect, and give the broker {"v": 1, "link": "down"} as the last will, retained, with QoS 1',
        )
    last_us = max((one.arrived_us for one in h.within if one.arrived_us is not None), default=None)
    if h.link == "down" and h.link_us is not None and last_us is not None and last_us > h.link_us:
        yield found(
            "link_down_while_sending",
            "the link topic says down, and events came since: publish up, retained, after each connect, also where the "
            "connection was lost for a moment only",
            None,
            h.link_us,
            last_us,
        )


def _silence(h: Hearing) -> Iterator[Finding]:
    silent_us = h.until_us - h.within[-1].at_us if h.within and h.link != "down" else 0
    if silent_us > h.silence_us:
        came = _came_refused(h, h.within[-1].at_us)
        what, first = ("was taken", f"{came}: mend that first; ") if came else ("came", "")
        yield found(
            "silent_now",
            f"nothing {what} for {seconds_of(silent_us)}, and the link was not told to be down: the cell is unknown; {first}send "
            "snapshots while the controller runs, and let the last will tell when it does not",
            silent_us / 1e6,
            h.within[-1].at_us,
        )


def _late(h: Hearing) -> Iterator[Finding]:
    late = [one for one in h.within if one.arrived_us is not None and one.arrived_us + h.ahead_us - one.at_us > LATE_US]
    if late:
        yield found(
            "arrived_late",
            f"{counted(len(late), 'event', 'events')} arrived more than a minute after having happened: that is right after an "
            "outage; else send each as it happens",
            len(late),
            late[0].at_us,
            late[-1].at_us,
        )


RULES = (
    _coming,
    _missing,
    _falls,
    _restarts,
    _refused,
    _snapshots,
    _starts,
    _zones,
    _unlisted,
    _clock,
    _clock_steps,
    _link,
    _silence,
    _late,
)
