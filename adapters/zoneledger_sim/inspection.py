"""Later quality decisions: verdicts that replace a fastener's result, also after its panel has gone."""

from random import Random

from simpy import Environment

from zoneledger_sim.controller import Controller
from zoneledger_sim.plan import Inspection
from zoneledger_sim.truth import Made
from zoneledger_sim.worker import Steps

Finding = tuple[int, Made, str]
"""After how many microseconds which fastener gets which result."""


def inspect(env: Environment, plan: Inspection, controller: Controller, made: list[Made], rng: Random) -> None:
    """Look at the fasteners of a panel that was just worked, and give the verdicts when they are due."""
    findings = [(plan.after.draw_us(rng), each, result) for each in made if (result := _result(plan, each, rng))]
    if findings:
        findings.sort(key=lambda finding: finding[0])
        env.process(_tell(env, plan.station, controller, findings))


def _result(plan: Inspection, made: Made, rng: Random) -> str | None:
    if made.first == "rework" and rng.random() < plan.mended:
        return "good"
    if rng.random() >= plan.share:
        return None
    chance = rng.random()
    return "reject" if chance < plan.reject else "rework" if chance < plan.reject + plan.rework else "good"


def _tell(env: Environment, station: str, controller: Controller, findings: list[Finding]) -> Steps:
    passed_us = 0
    for after_us, made, result in findings:
        yield env.timeout(after_us - passed_us)
        passed_us = after_us
        while not controller.is_up:
            yield controller.restarted
        made.final = result
        controller.verdict(made, result, station)
