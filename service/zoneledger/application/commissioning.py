"""Commissioning a cell: what the service makes of its controller's messages, and where they break the contract."""

from collections.abc import Callable, Iterator, Sequence

from zoneledger.application import findings_of_content as content
from zoneledger.application import findings_of_sending as sending
from zoneledger.application.findings import Finding
from zoneledger.application.hearing import Hearing

_RULES: tuple[Callable[[Hearing], Iterator[Finding]], ...] = (*sending.RULES, *content.RULES)


def kept(findings: Sequence[Finding]) -> bool | None:
    """Return whether the contract was kept; None where there is no breach among what was read, and not all was read."""
    if any(finding.severity == "breach" for finding in findings):
        return False
    return None if any(finding.code == "not_all_read" for finding in findings) else True


def judge(heard: Hearing) -> list[Finding]:
    """Return all that is to be said of a cell's messages, breaches first."""
    told = [finding for rule in _RULES for finding in rule(heard)]
    return sorted(told, key=lambda finding: finding.severity != "breach")
