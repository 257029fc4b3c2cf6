"""One work zone: people unload and load it, the head works in it, and it waits for either."""

from random import Random

from zoneledger_sim.condition import Activity, Panel, ZoneCondition
from zoneledger_sim.equipment import Equipment
from zoneledger_sim.inspection import inspect
from zoneledger_sim.plan import Moment, Step
from zoneledger_sim.truth import Made, Pass, Record
from zoneledger_sim.worker import Steps, Worker


class Zone:
    """The life of a zone; each change of its condition is told to the controller and noted in the truth."""

    def __init__(self, equipment: Equipment, condition: ZoneCondition, record: Record, rng: Random) -> None:
        self._equipment = equipment
        self._condition = condition
        self._record = record
        self._rng = rng
        self.worker = Worker(equipment.env)
        self.worker.start(self._life())

    def _life(self) -> Steps:
        plan = self._equipment.plan
        former: Panel | None = None
        while True:
            loading_us = plan.load.draw_us(self._rng)
            unloading_us = round(loading_us * plan.unload_share)
            if former is not None:
                yield from self._stand(Moment.BEFORE_UNLOAD)
                yield from self._attend("unload", former, unloading_us)
                self._pass_ended(former)
            yield from self._stand(Moment.BEFORE_LOAD)
            panel = next(self._equipment.panels)
            yield from self._attend("load", panel, loading_us - unloading_us)
            if former is not None and former.program is not panel.program:
                yield from self._attend("setup", panel, plan.setup.draw_us(self._rng))
            yield from self._stand(Moment.BEFORE_PROCESS)
            yield from self._take_head()
            yield from self._process(panel)
            self._equipment.head.release()
            former = panel

    @property
    def _now_us(self) -> int:
        return int(self._equipment.env.now)

    def _begin(self, activity: str, panel: Panel) -> Steps:
        # Work of no length: nothing begins while a stop is in force.
        yield from self.worker.work(0)
        if activity == "load":
            panel.load_begun_us = self._now_us
        self._condition.activity = Activity(activity, panel)
        self._equipment.controller.activity_begun(self._condition)
        self._equipment.note()

    def _end(self, activity: str, outcome: str) -> None:
        self._condition.activity = None
        self._equipment.controller.activity_ended(self._condition.zone, activity, outcome)
        self._equipment.note()

    def _begin_wait(self, reason: str) -> None:
        self._condition.wait = reason
        self._equipment.controller.waits(self._condition.zone, "begin", reason)
        self._equipment.note()

    def _end_wait(self, reason: str) -> None:
        self._condition.wait = None
        self._equipment.controller.waits(self._condition.zone, "end", reason)
        self._equipment.note()

    def _attend(self, activity: str, panel: Panel, lasting_us: int) -> Steps:
        yield from self._begin(activity, panel)
        yield from self.worker.work(lasting_us)
        self._end(activity, "completed")

    def _wait(self, reason: str, lasting_us: int) -> Steps:
        """Wait for people or goods, whom no alarm holds up."""
        self._begin_wait(reason)
        yield self._equipment.env.timeout(lasting_us)
        self._end_wait(reason)

    def _stand(self, moment: Moment) -> Steps:
        for wait in self._equipment.plan.panel_waits:
            if wait.moment is not moment or self._rng.random() >= wait.chance:
                continue
            lasting_us = wait.lasting.draw_us(self._rng)
            if wait.reason is None:
                yield self._equipment.env.timeout(lasting_us)
            else:
                yield from self._wait(wait.reason, lasting_us)

    def _take_head(self) -> Steps:
        head, zone = self._equipment.head, self._condition.zone
        has_to_wait = not head.is_ready_for(zone)
        granted = head.ask(zone)
        if has_to_wait:
            self._begin_wait("head")
        yield granted
        if has_to_wait:
            self._end_wait("head")

    def _process(self, panel: Panel) -> Steps:
        limit = self._limit(panel)
        made: list[Made] = []
        yield from self._begin("process", panel)
        for step in panel.program.steps:
            for _ in range(min(step.count, limit - len(made))):
                for wait in self._equipment.wear.due(step.item):
                    yield from self._wait(wait.reason, wait.lasting.draw_us(self._rng))
                head_us = step.head.draw_us(self._rng)
                yield from self.worker.work(head_us)
                made.append(self._make(panel, step, len(made) + 1, head_us))
        panel.outcome = "aborted" if limit < panel.program.automatic else "completed"
        self._end("process", panel.outcome)
        if self._equipment.plan.inspection is not None:
            inspect(self._equipment.env, self._equipment.plan.inspection, self._equipment.controller, made, self._rng)

    def _limit(self, panel: Panel) -> int:
        """Return how many fasteners the panel gets: all, unless its processing is to be aborted."""
        if self._rng.random() < self._equipment.plan.abort_chance:
            return self._rng.randrange(panel.program.automatic)
        return panel.program.automatic

    def _make(self, panel: Panel, step: Step, number: int, head_us: int) -> Made:
        chance = self._rng.random()
        result = "reject" if chance < step.reject else "rework" if chance < step.reject + step.rework else "good"
        made = Made(
            at_us=self._now_us,
            zone=self._condition.zone,
            operation=step.operation,
            item=step.item,
            program=panel.program.program,
            panel=panel.name,
            position=f"p{number:04d}",
            first=result,
            final=result,
        )
        self._record.made.append(made)
        self._condition.made += 1
        self._equipment.controller.fastener_made(self._condition.zone, made, head_us)
        return made

    def _pass_ended(self, panel: Panel) -> None:
        program = panel.program.program
        ended = Pass(self._condition.zone, panel.name, program, panel.load_begun_us, self._now_us, panel.outcome)
        self._record.passes.append(ended)
