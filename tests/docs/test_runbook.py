"""The alerting rules are on metrics that there are, and each has its section in the runbook; promtool tries them where it is."""

import re
import shutil
import subprocess
from typing import Any

import pytest
from ruamel.yaml import YAML

from tests.docs.pages import ROOT, anchors, read, section
from zoneledger.api.metrics import METRICS, PREFIX

RULES = ROOT / "deploy" / "alerts.yml"
RUNBOOK = read("docs/runbook.md")
PARTS = ("What it means.", "What is lost meanwhile.", "First look.", "What to do.", "Call")
#: What others tell: Prometheus of a scrape, and whatever makes backups.
OTHERS = {"up", "zoneledger_backup_finished_seconds"}


def _alerts() -> list[dict[str, Any]]:
    groups = YAML(typ="safe").load(RULES.read_text(encoding="utf-8"))["groups"]
    return [rule for group in groups for rule in group["rules"]]


ALERTS = _alerts()
NAMES = [rule["alert"] for rule in ALERTS]


def test_alerts_have_names_of_their_own() -> None:
    assert len(NAMES) == len(set(NAMES)) > 15


@pytest.mark.parametrize("rule", ALERTS, ids=NAMES)
def test_an_alert_is_on_metrics_that_there_are(rule: dict[str, Any]) -> None:
    there = {f"{PREFIX}{name}{ending}" for name in METRICS for ending in ("", "_total", "_bucket", "_sum", "_count")}
    named = set(re.findall(rf"\b(?:{PREFIX}\w+|up)\b", rule["expr"]))
    assert named
    assert named <= there | OTHERS


@pytest.mark.parametrize("rule", ALERTS, ids=NAMES)
def test_an_alert_says_how_grave_it_is_and_has_its_section(rule: dict[str, Any]) -> None:
    assert rule["labels"]["severity"] in ("critical", "warning")
    told = rule["annotations"]
    assert told["summary"]
    assert told["description"].endswith(".")
    page, _, anchor = told["runbook_url"].partition("#")
    assert (page, anchor) == ("docs/runbook.md", rule["alert"].lower())
    assert anchor in anchors(RUNBOOK)
    text = section(RUNBOOK, rule["alert"])
    if "#zoneledgercertificateends)" not in text:  # that one sends on to another section
        assert [part for part in PARTS if f"**{part}" not in text] == []


def test_every_section_of_the_runbook_is_of_an_alert() -> None:
    assert sorted(re.findall(r"^## (.+)$", RUNBOOK, re.MULTILINE)) == sorted(NAMES)


def test_every_alert_is_tried_and_once_for_a_service_that_is_well() -> None:
    tests = YAML(typ="safe").load(read("deploy/alerts-test.yml"))["tests"]
    tried = {case["alertname"] for test in tests for case in test["alert_rule_test"] if case.get("exp_alerts")}
    [well] = [test for test in tests if "well" in test["name"]]
    assert tried == set(NAMES)
    assert {case["alertname"] for case in well["alert_rule_test"]} == set(NAMES)
    assert not any(case.get("exp_alerts") for case in well["alert_rule_test"])


@pytest.mark.parametrize("what", [("check", "rules", "alerts.yml"), ("test", "rules", "alerts-test.yml")], ids=" ".join)
def test_promtool_takes_the_rules_and_they_do_what_they_should(what: tuple[str, ...]) -> None:
    program = shutil.which("promtool") or pytest.skip("promtool is not installed: apt-get install -y prometheus")
    done = subprocess.run([program, *what], cwd=RULES.parent, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
