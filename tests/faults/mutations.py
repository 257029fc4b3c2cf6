"""The mutants: each a defect that would lose, double or invent something, and the tests that have to notice it."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Edit:
    """A text that stands in a file exactly once, and what replaces it."""

    file: str
    old: str
    new: str


@dataclass(frozen=True)
class Mutant:
    """A defect: what it is called, its edits, and the tests of which one has to fail."""

    name: str
    edits: tuple[Edit, ...]
    tests: tuple[str, ...]


WINDOW = "adapters/zoneledger_mqtt/window.py"
INNER_CLIENT = "adapters/zoneledger_mqtt/inner_client.py"
SUBSCRIBER = "adapters/zoneledger_mqtt/subscriber.py"
BOOKING = "service/zoneledger/core/booking.py"
BOOK = "service/zoneledger/application/book.py"
KEEP = "service/zoneledger/application/keep.py"
RECORD = "service/zoneledger/application/record.py"
RECORDER = "service/zoneledger/application/recorder.py"
STATEMENTS = "service/zoneledger/storage/statements.py"
RESTATING = "service/zoneledger/application/restating.py"
LEASES = "service/zoneledger/storage/leases.py"
FIRST_SCHEMA = "service/zoneledger/storage/migrations/versions/0001_the_first_schema.py"

ACKNOWLEDGING = "tests/integration/mqtt/test_acknowledging.py"
BOOKED = "tests/unit/core/test_booking.py"
RECORDED = "tests/contract/test_recorder.py"
STORED = "tests/contract/test_store_messages.py"
TWO_WRITERS = "tests/contract/test_two_writers.py"

_UNIQUE = Edit(
    FIRST_SCHEMA, 'sa.UniqueConstraint("cell_id", "boot", "seq", name=op.f("uq_events_cell_id_boot_seq")),', ""
)
_NOT_RECOGNISED = Edit(
    KEEP,
    "known = sorted({key for key in keys if key <= last}) if (last := _last_key(kept.booking)) else []",
    "known: list[Key] = []",
)

EARLY_ACKNOWLEDGEMENT = Mutant(
    "acknowledged before the commit",
    (
        Edit(
            WINDOW,
            "        self._pending.append(pending)\n",
            "        self._pending.append(pending)\n        self._acknowledge(number)\n",
        ),
        Edit(WINDOW, "self._acknowledge(self._pending.popleft().number)", "self._pending.popleft()"),
    ),
    (f"{ACKNOWLEDGING}::test_what_the_intake_did_not_answer_comes_again[embedded]",),
)
NO_UNIQUE_KEY = Mutant(
    "the database takes a key twice",
    (_UNIQUE,),
    (
        f"{TWO_WRITERS}::test_of_two_writers_at_once_one_stores_a_key[sqlite]",
        f"{STORED}::test_an_event_stored_twice_fails_and_leaves_nothing[sqlite]",
    ),
)
NO_PROOF = Mutant(
    "a snapshot does not prove silence",
    (
        Edit(
            BOOKING,
            "self._reach(max(message.at_us, self.booked_us))",
            "self._reach(max(message.at_us, self.booked_us) if is_event else self.booked_us)",
        ),
    ),
    (f"{BOOKED}::test_after_a_gap_the_cell_is_unknown_from_the_last_proof_to_the_next_snapshot",),
)
#: Those that `make test` runs.
SHORT = (EARLY_ACKNOWLEDGEMENT, NO_UNIQUE_KEY, NO_PROOF)

MUTANTS = (
    *SHORT,
    Mutant(
        "duplicates are not recognised",
        (_NOT_RECOGNISED,),
        (f"{RECORDED}::test_the_same_message_again_is_a_duplicate_however_it_is_written[sqlite]",),
    ),
    Mutant(
        "duplicates are not recognised, and the database takes them",
        (_UNIQUE, _NOT_RECOGNISED),
        (f"{RECORDED}::test_the_same_message_again_is_a_duplicate_however_it_is_written[sqlite]",),
    ),
    Mutant(
        "a snapshot that is known is stored again",
        (Edit(KEEP, "        if row in stored:\n", "        if False:\n"),),
        (f"{RECORDED}::test_the_same_snapshot_again_is_a_duplicate[sqlite]",),
    ),
    Mutant(
        "a head is not locked on PostgreSQL",
        (Edit(STATEMENTS, ".order_by(t.heads.c.cell).with_for_update()", ".order_by(t.heads.c.cell)"),),
        (f"{TWO_WRITERS}::test_of_two_services_at_once_one_stores_a_message_and_both_count[postgresql]",),
    ),
    Mutant(
        "acknowledged on a connection that it did not come on",
        (Edit(INNER_CLIENT, "        if not self._open:\n            return False\n", ""),),
        (f"{ACKNOWLEDGING}::test_an_old_connection_acknowledges_nothing_on_the_new_one[embedded]",),
    ),
    Mutant(
        "an outage is answered as if all were kept",
        (
            Edit(
                RECORDER,
                "            nothing_kept(group, str(error))\n",
                "            for _, future in group:\n"
                "                if not future.done():\n"
                "                    future.set_result(Receipt())\n",
            ),
        ),
        (
            "tests/contract/test_recorder_failures.py::test_an_outage_leaves_nothing_and_the_same_deliveries_are_taken_later",
        ),
    ),
    Mutant(
        "a group is committed without its ledger rows",
        (
            Edit(
                RECORD,
                "    await writing.add_booked([(one.head.ledger_id, rows) for one, rows in appended])\n",
                "",
            ),
        ),
        (
            "tests/contract/test_rebuild.py::test_a_right_ledger_is_the_same_after_a_rebuild_and_nothing_is_revised[sqlite]",
        ),
    ),
    Mutant(
        "late messages are booked only up to where old and new agree",
        (Edit(BOOK, "rest = [] if agreed is None else rest[bisect_right(rest, agreed) :]", "rest = []"),),
        ("tests/unit/application/test_rebuild.py::test_late_messages_far_apart_do_not_rewrite_what_lies_between_them",),
    ),
    Mutant(
        "late messages are booked up to the next checkpoint",
        (Edit(BOOK, "if former is not None and former.booking == state:", "if former is not None:"),),
        ("tests/contract/test_late.py",),
    ),
    Mutant(
        "a refused message is dropped",
        (Edit(RECORD, "    await writing.add_refused([row for _, row in group.refused])\n    _count", "    _count"),),
        (f"{RECORDED}::test_each_bad_payload_is_refused_whole_and_kept[sqlite]",),
    ),
    Mutant(
        "missing events are not reported",
        (Edit(BOOKING, "self.booked.gaps.append(Gap(place, known_seq + 1, follows, since_us, until_us))", "pass"),),
        (f"{BOOKED}::test_a_new_boot_that_does_not_begin_with_its_first_event_misses_the_lower_ones",),
    ),
    Mutant(
        "time after missing events is told as known",
        (Edit(BOOKING, "            self.lost = GAP\n", "            pass\n"),),
        (f"{BOOKED}::test_after_a_gap_the_cell_is_unknown_from_the_last_proof_to_the_next_snapshot",),
    ),
    Mutant(
        "a link that goes down does not end the evidence",
        (Edit(BOOKING, "if link_down_us is not None and link_down_us >= self.booked_us:", "if False:"),),
        (f"{BOOKED}::test_a_link_that_goes_down_ends_the_evidence_there",),
    ),
    Mutant(
        "a lease is taken from whoever holds it",
        (
            Edit(
                LEASES,
                "free = (t.leases.c.holder == holder) | (t.leases.c.until_us <= _now_us(connection))",
                "free = t.leases.c.name == name",
            ),
        ),
        ("tests/contract/test_leases.py::test_a_lease_is_held_by_one_until_it_lapses[sqlite]",),
    ),
    Mutant(
        "all time between two changes is told as changed",
        (Edit(RESTATING, "APART_US = 3_600_000_000", "APART_US = 1 << 60"),),
        (
            "tests/scenarios/test_late_evidence.py::test_a_shifts_revision_rises_exactly_when_its_figures_change[sqlite-1]",
        ),
    ),
    Mutant(
        "a payload too large to be taken is held whole",
        (Edit(SUBSCRIBER, "received.payload[:MAX_PAYLOAD_BYTES]", "received.payload"),),
        (
            "tests/integration/mqtt/test_subscriber.py"
            "::test_of_a_payload_too_large_to_be_taken_only_the_begin_and_the_size_are_held[mosquitto]",
        ),
    ),
    Mutant(
        "messages from before what is kept are taken as new",
        (Edit(KEEP, "    if head.kept_after is None:\n", "    if True:\n"),),
        ("tests/contract/test_retention.py::test_messages_from_before_it_are_refused_and_change_nothing[sqlite]",),
    ),
)
