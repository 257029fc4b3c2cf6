"""Panel passes: each panel's way through a zone, put together from the zone's activities.

A pass begins with a load, or where another panel is worked than the one before. It is over with the end of its unload, or when
another one follows. What nobody told is left out: a pass whose load or unload was not seen has no floor-to-floor time.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from zoneledger.core.activities import EVENT, NEXT, OPEN
from zoneledger.core.rows import Activity
from zoneledger.core.spans import Interval

#: How a pass stands: its processing was completed or aborted, ended without a word, was not seen to end, or the pass is not over.
COMPLETED, ABORTED, ENDED, UNFINISHED, PRESENT = "completed", "aborted", "ended", "unfinished", "present"
OUTCOMES = (COMPLETED, ABORTED, ENDED, UNFINISHED)
#: The processing was seen to end, however it did.
FINISHED = (COMPLETED, ABORTED, ENDED)
#: By what an activity is over if its end was told; else nobody saw it.
TOLD = (EVENT, NEXT)
#: How many activities of a zone before a window are read at most: a pass that has more of them begins with these.
ACTIVITIES_BACK = 1000


@dataclass(slots=True)
class Pass:
    """One panel's way through a zone over [start_us, end_us), with the counts planned, where they were told.

    `load_seen`: the begin of its load was told by an event. `unload_seen`: the end of its unload was told. Of a pass that is
    not over `end_us` is that of the evidence so far. `over_us` is when it was over, None while it is not: its end where the unload
    was seen, else the begin of what followed, as before that nobody could know.
    """

    zone: str
    start_us: int
    end_us: int
    panel: str | None = None
    program: str | None = None
    automatic: int | None = None
    manual: int | None = None
    load_seen: bool = False
    unload_seen: bool = False
    over_us: int | None = None
    outcome: str = UNFINISHED
    activities: list[Activity] = field(default_factory=list)

    @property
    def is_over(self) -> bool:
        """Whether the panel has gone: its unload ended, or another one followed."""
        return self.over_us is not None

    def is_over_in(self, start_us: int, end_us: int) -> bool:
        """Tell whether it belongs to the window [start_us, end_us): it was over in it."""
        return self.over_us is not None and start_us <= self.over_us < end_us

    @property
    def is_whole(self) -> bool:
        """Whether all of it was seen, from the begin of the load to the end of the unload."""
        return self.load_seen and self.unload_seen

    @property
    def floor_to_floor_us(self) -> int | None:
        """From the begin of the load to the end of the unload, None where either was not seen."""
        return self.end_us - self.start_us if self.is_whole else None

    @property
    def planned(self) -> int | None:
        """How many fasteners its panel gets, by the cell and by hand; None where nobody told."""
        return None if self.automatic is None or self.manual is None else self.automatic + self.manual

    @property
    def processing(self) -> Interval | None:
        """From the begin of its first processing to the end of its last, None where there was none."""
        found = [(row.start_us, row.end_us) for row in self.activities if row.activity == "process"]
        return (found[0][0], found[-1][1]) if found else None


def as_of(activities: Iterable[Activity], at_us: int) -> list[Activity]:
    """Return activities as they stood at an instant: none had begun at it or later, and none was over that ended then or later."""
    begun = (row for row in activities if row.start_us < at_us)
    return [row if row.end_us < at_us else row._replace(end_us=at_us, ended_by=OPEN, outcome=None) for row in begun]


def passes_of(activities: Iterable[Activity]) -> list[Pass]:
    """Return the passes of one zone, in order, from its activities, in order; the last one may not be over."""
    groups: list[list[Activity]] = []
    panel: str | None = None
    for row in activities:
        if not groups or _is_of_another(groups[-1][-1], panel, row):
            groups.append([])
            panel = None
        groups[-1].append(row)
        panel = panel if row.panel is None else row.panel
    followed = [following[0].start_us for following in groups[1:]]
    for group in groups[:-1]:
        _leave_out_setup(group)
    found = [_pass(*each) for each in zip(groups, [*followed, None], strict=False)]
    return [one for one in found if any(row.activity != "setup" for row in one.activities)]


def counted(passes: Sequence[Pass]) -> list[Interval]:
    """Return, for each of a zone's passes in order, over which half-open interval its fasteners are counted.

    A fastener made in the very instant in which a pass ends is its own, unless the next one begins then.
    """
    nexts = [following.start_us for _, following in pairwise(passes)]
    ends = [min(one.end_us + 1, max(start_us, one.end_us)) for one, start_us in zip(passes, nexts, strict=False)]
    ends += [one.end_us + 1 for one in passes[-1:]]
    return [(one.start_us, end_us) for one, end_us in zip(passes, ends, strict=True)]


def _is_of_another(before: Activity, panel: str | None, row: Activity) -> bool:
    """Tell whether an activity belongs to another pass than the last one, of which `before` is the last activity."""
    named = None not in (panel, row.panel)
    if named and panel != row.panel:
        return True
    if before.activity == row.activity and before.ended_by not in TOLD and (named or row.begun_by != EVENT):
        return False  # one activity in two pieces: nobody told what was between them, as in a new boot
    if row.activity == "load":
        return not (named and before.activity == "load")  # a panel may be loaded in two goes
    if before.activity == "unload":
        return row.activity != "unload" or before.ended_by in TOLD
    return row.activity == before.activity == "process" and not named


def _leave_out_setup(group: list[Activity]) -> None:
    """Leave out what was set up last for no panel by name: it was for the next one."""
    while len(group) > 1 and group[-1].activity == "setup" and group[-1].panel is None:
        group.pop()


def _pass(group: list[Activity], followed_us: int | None) -> Pass:
    first, last = group[0], group[-1]
    load_seen = first.activity == "load" and first.begun_by == EVENT
    unload_seen = last.activity == "unload" and last.ended_by in TOLD
    one = Pass(first.zone, first.start_us, last.end_us, load_seen=load_seen, unload_seen=unload_seen, activities=group)
    for row in group:
        one.panel = one.panel if row.panel is None else row.panel
        one.program = one.program if row.program is None else row.program
        if row.automatic is not None:
            one.automatic, one.manual = row.automatic, row.manual
        if row.activity == "process":
            one.outcome = (row.outcome or ENDED) if row.ended_by in TOLD else UNFINISHED
    one.over_us = last.end_us if unload_seen else followed_us
    if not one.is_over:
        one.outcome = PRESENT
    return one
