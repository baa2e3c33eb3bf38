"""What the board takes from a broker, and what it refuses."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.board.inbox import (
    FILTERS,
    PAYLOAD_MAX,
    ClampingEvent,
    Heard,
    Refused,
    filters,
    read,
)
from daemon.messages import Prompt, State
from tests.bench_events import clamping_event

STATE = b'{"state": "loosen", "since": "2026-11-24T10:42:00.000Z", "waits_for": "operator"}'


def test_the_board_subscribes_to_nothing_but_its_own_topics_of_every_bench() -> None:
    assert filters("hall/a")[:2] == ["hall/a/+/link", "hall/a/+/about"]
    assert len(filters("reclamp")) == len(FILTERS)


def test_what_no_broker_keeps_is_asked_for_before_a_bench_can_be_seen() -> None:
    asked = filters("reclamp")
    assert asked.index("reclamp/+/event/clamping") < asked.index("reclamp/+/state")


def test_a_payload_of_the_contract_is_heard_with_bench_and_part() -> None:
    heard = read("reclamp", "reclamp/b1/state", STATE, is_retained=False)
    assert isinstance(heard, Heard)
    assert (heard.bench, heard.part, heard.is_live) == ("b1", "state", True)
    assert isinstance(heard.value, State)


def test_a_root_of_several_levels_is_one_root() -> None:
    assert isinstance(read("hall/a", "hall/a/b1/state", STATE, False), Heard)
    assert isinstance(read("hall", "hall/a/b1/state", STATE, False), Refused)


def test_what_the_broker_had_kept_is_not_live() -> None:
    heard = read("reclamp", "reclamp/b1/link", b"online", is_retained=True)
    assert heard == Heard("b1", "link", "", "online", is_live=False)


def test_an_empty_payload_clears() -> None:
    heard = read("reclamp", "reclamp/b1/alarm/wrong-bin", b"", is_retained=False)
    assert heard == Heard("b1", "alarm", "wrong-bin", None, is_live=True)


def test_a_newer_service_may_say_more_than_the_board_knows() -> None:
    payload = b'{"word": "clamp", "text": "Clamp", "picture": "clamp.svg"}'
    heard = read("reclamp", "reclamp/b1/prompt", payload, False)
    assert isinstance(heard, Heard)
    assert heard.value == Prompt(word="clamp", text="Clamp")


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        pytest.param("other/b1/link", b"online", id="another root"),
        pytest.param("reclampb1/link", b"online", id="a root that only begins alike"),
        pytest.param("reclamp/b1/event/verdict", b"{}", id="an event: not the board's"),
        pytest.param("reclamp/b1/command", b"{}", id="a command"),
        pytest.param("reclamp/b1/link/more", b"online", id="one level too deep"),
        pytest.param("reclamp/b1/link/", b"online", id="a slash at the end"),
        pytest.param("reclamp/b1/lamp", b"on", id="a lamp without a bin"),
        pytest.param("reclamp/b1/lamp/1/2", b"on", id="a lamp with two bins"),
        pytest.param("reclamp/ /link", b"online", id="a bench without a name"),
        pytest.param("reclamp/<b>/link", b"online", id="a bench named in markup"),
        pytest.param("reclamp/" + "b" * 65 + "/link", b"online", id="an endless name"),
        pytest.param("reclamp/b1/link", b"maybe", id="no word of the link's"),
        pytest.param("reclamp/b1/lamp/1", b"red", id="no word of a lamp's"),
        pytest.param("reclamp/b1/state", b"{", id="half a JSON"),
        pytest.param("reclamp/b1/state", b"\xff\xfe", id="no UTF-8"),
        pytest.param("reclamp/b1/state", b"[" * 100_000, id="a deep nest"),
        pytest.param("reclamp/b1/state", STATE.replace(b"loosen", b"dance"), id="no state"),
        pytest.param("reclamp/b1/lot", b'{"lot": 7}', id="a wrong type"),
        pytest.param("reclamp/b1/recent", b" " * (PAYLOAD_MAX + 1), id="too long"),
    ],
)
def test_what_is_none_of_the_contract_is_refused(topic: str, payload: bytes) -> None:
    assert isinstance(read("reclamp", topic, payload, is_retained=False), Refused)


def test_a_lamp_kept_lit_by_a_broker_is_refused_since_it_may_outlive_its_bench() -> None:
    assert isinstance(read("reclamp", "reclamp/b1/lamp/1", b"on", is_retained=True), Refused)
    assert isinstance(read("reclamp", "reclamp/b1/lamp/1", b"off", is_retained=True), Heard)


def test_a_refusal_names_the_key_that_is_wrong() -> None:
    refused = read("reclamp", "reclamp/b1/state", b'{"state": "loosen"}', False)
    assert isinstance(refused, Refused)
    assert refused.reason.startswith("state: since: ")


_TEXT = st.text(max_size=20)
_JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | _TEXT,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_TEXT, inner, max_size=4),
    max_leaves=10,
)


@given(
    topic=_TEXT | st.sampled_from(FILTERS).map(lambda f: "reclamp/b1/" + f.replace("+", "1")),
    payload=st.binary(max_size=200) | _JSON.map(lambda value: json.dumps(value).encode()),
    is_retained=st.booleans(),
)
def test_nothing_that_a_broker_can_deliver_raises(
    topic: str, payload: bytes, is_retained: bool
) -> None:
    assert isinstance(read("reclamp", topic, payload, is_retained), Heard | Refused)


def test_a_clampings_event_is_heard_and_no_other_kind() -> None:
    event = clamping_event("b1", 7, piece=3, clamping=1, tir_um=2.1)
    payload = event.model_dump_json().encode()
    heard = read("reclamp", "reclamp/b1/event/clamping", payload, False)
    assert isinstance(heard, Heard)
    assert isinstance(heard.value, ClampingEvent)
    assert heard.value.data.tir_um == 2.1
    assert isinstance(read("reclamp", "reclamp/b1/event/put-away", payload, False), Refused)


def test_a_retained_event_is_refused() -> None:
    payload = clamping_event("b1", 7, 3, 1, 2.1).model_dump_json().encode()
    heard = read("reclamp", "reclamp/b1/event/clamping", payload, is_retained=True)
    assert heard == Refused("event: an event is never retained")
