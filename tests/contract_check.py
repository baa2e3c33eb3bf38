"""Messages against the contract's JSON Schemas, by a validator that is not ours."""

import json
import re
from collections.abc import Iterable

import jsonschema

from daemon.schema import EVENT_DATA, TOPICS, payload_schemas

_VALIDATORS = {
    name: jsonschema.Draft202012Validator(
        schema, format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
    )
    for name, schema in payload_schemas().items()
}
_ADDRESSES = {
    re.compile(re.sub(r"\{[a-z]+\}", "[^/]+", address)): name
    for name, address in [
        *((topic.name, topic.address) for topic in TOPICS),
        *((f"event-{kind}", f"event/{kind}") for kind in EVENT_DATA),
    ]
}
_MAY_BE_EMPTY = ("alarm", "placed")


def kind_of(topic: str) -> str:
    """Return which payload of the contract a topic below ROOT/BENCH carries.

    Raises:
        AssertionError: If the contract knows no such topic.
    """
    for address, name in _ADDRESSES.items():
        if address.fullmatch(topic):
            return name
    raise AssertionError(f"the contract knows no topic {topic}")


def checked(messages: Iterable[tuple[str, str]]) -> set[str]:
    """Check messages, each a topic ``BENCH/…`` and a text; return the kinds that came.

    Raises:
        AssertionError: Of the first that is not as the contract says.
    """
    seen = set()
    for topic, text in messages:
        kind = kind_of(topic.partition("/")[2])
        seen.add(kind)
        if not text and kind in _MAY_BE_EMPTY:
            continue
        value = text if kind in ("link", "lamp") else json.loads(text)
        fault = jsonschema.exceptions.best_match(_VALIDATORS[kind].iter_errors(value))
        assert fault is None, f"{topic}: {fault.message} at {list(fault.path)}"
    return seen
