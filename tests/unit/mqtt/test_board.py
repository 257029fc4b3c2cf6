"""The board knows what the broker still has to be told: the latest of each topic, not too often, and what is to be cleared."""

from zoneledger_mqtt.board import PACE_S, Board, Due

STATE, OTHER, LINK = "out/a/b/c/state", "out/a/b/d/state", "out/link"


def _tell(board: Board, now_s: float) -> dict[str, bytes]:
    """Let the broker take what is due."""
    messages = board.due(now_s).messages
    for topic, payload in messages.items():
        board.told(topic, payload, now_s)
    return messages


def test_a_payload_is_told_once_and_the_same_again_is_no_news() -> None:
    board = Board()
    board.put(STATE, b"running")
    assert _tell(board, 100.0) == {STATE: b"running"}
    board.news.clear()
    board.put(STATE, b"running")
    assert not board.news.is_set()
    assert board.due(200.0) == Due({}, None)


def test_a_topic_is_told_once_a_second_at_most_and_then_the_latest() -> None:
    board = Board()
    board.put(STATE, b"1")
    _tell(board, 100.0)
    board.put(STATE, b"2")
    board.put(OTHER, b"1")
    assert _tell(board, 100.2) == {OTHER: b"1"}
    board.put(STATE, b"3")
    assert board.due(100.2) == Due({}, 100.0 + PACE_S)
    assert _tell(board, 101.0) == {STATE: b"3"}


def test_what_is_again_as_the_broker_has_it_is_not_told() -> None:
    board = Board()
    board.put(STATE, b"1")
    _tell(board, 100.0)
    board.put(STATE, b"2")
    board.put(STATE, b"1")
    assert board.due(102.0) == Due({}, None)


def test_what_is_there_no_more_is_cleared_and_forgotten() -> None:
    board = Board()
    board.replace("/state", {STATE: b"1", OTHER: b"1"})
    _tell(board, 100.0)
    board.replace("/shift", {})
    assert board.due(102.0) == Due({}, None)
    board.replace("/state", {OTHER: b"1"})
    assert _tell(board, 102.0) == {STATE: b""}
    assert board.due(104.0) == Due({}, None)


def test_what_is_found_from_earlier_is_cleared_unless_it_is_to_be_there() -> None:
    board = Board()
    board.replace("/state", {STATE: b"now"})
    board.begin(LINK)
    board.found(STATE, b"then")
    board.found(OTHER, b"then")
    assert _tell(board, 100.0) == {STATE: b"now", OTHER: b""}


def test_what_is_found_stays_as_long_as_nobody_knows_whether_it_is_to_be_there() -> None:
    board = Board()
    board.replace("/state", {STATE: b"now"})
    board.begin(LINK)
    board.found("out/a/b/shift", b"then")
    board.found("out/a/c/shift", b"then")
    assert _tell(board, 100.0) == {STATE: b"now"}
    board.replace("/shift", {"out/a/b/shift": b"now"})
    assert _tell(board, 100.0) == {"out/a/b/shift": b"now", "out/a/c/shift": b""}


def test_on_a_new_connection_all_is_told_again_as_it_is_now() -> None:
    board = Board()
    board.replace("/state", {STATE: b"1", OTHER: b"1"})
    _tell(board, 100.0)
    board.put(STATE, b"2")
    board.begin(LINK)
    assert _tell(board, 100.1) == {STATE: b"2", OTHER: b"1"}


def test_what_another_puts_on_a_topic_is_told_again_at_its_pace_and_nothing_else_is() -> None:
    board = Board()
    board.put(STATE, b"now")
    board.put(LINK, b"up")
    _tell(board, 100.0)
    board.news.clear()
    board.overwritten(STATE, b"now")
    board.overwritten(OTHER, b"lamp")
    assert not board.news.is_set()
    board.overwritten(LINK, b"down")
    assert board.due(100.2) == Due({}, 100.0 + PACE_S)
    board.overwritten(STATE, b"")
    assert board.due(101.0).messages == {STATE: b"now", LINK: b"up"}
    board.overwritten(LINK, b"down")  # while ours was on its way
    board.told(STATE, b"now", 101.0)
    board.told(LINK, b"up", 101.0)
    assert _tell(board, 102.0) == {LINK: b"up"}


def test_the_last_word_is_not_among_what_is_told_first_on_a_new_connection() -> None:
    board = Board()
    board.put(STATE, b"now")
    board.put(LINK, b"up")
    _tell(board, 100.0)
    board.begin(LINK)
    assert _tell(board, 100.1) == {STATE: b"now"}
