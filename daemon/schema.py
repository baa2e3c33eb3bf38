"""The contract as documents: AsyncAPI 3 of every topic, JSON Schema of every payload.

Made from the models that publish (``daemon.messages``): one source of truth. Compatibility:
within one contract version fields and topics are only ever added and never change their
meaning, so consumers ignore what they don't know; anything else is a new version of the
event's type (``reclamp.KIND.v2``) beside the old one for a year, and a new ``contract``.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any, Literal

from pydantic import BaseModel, TypeAdapter, create_model

from daemon.messages import (
    CONTRACT,
    About,
    AlarmData,
    ClampingData,
    Command,
    CorrectionData,
    Event,
    EventKind,
    Lot,
    LotData,
    Placed,
    Prompt,
    PutAwayData,
    Recent,
    Reply,
    State,
    VerdictData,
)  # fmt: skip

DIALECT = "https://json-schema.org/draft/2020-12/schema"
_FORMAT = "application/schema+json;version=draft-2020-12"

EVENT_DATA: Mapping[EventKind, type[BaseModel]] = {
    "clamping": ClampingData,
    "verdict": VerdictData,
    "put-away": PutAwayData,
    "correction": CorrectionData,
    "lot": LotData,
    "alarm": AlarmData,
}


@dataclass(frozen=True, slots=True)
class Topic:
    """One kind of topic.

    Attributes:
        name: Id in the document.
        address: Below ROOT/BENCH; ``{parameter}`` stands for one level.
        action: ``send``: the service publishes it; ``receive``: it listens.
        payload: A model, or a plain schema for plain words.
        content_type: Of the payload.
        title: What it is, one line.
        is_retained: What the broker keeps.
        expiry_s: Message expiry under MQTT 5.
    """

    name: str
    address: str
    action: Literal["send", "receive"]
    payload: type[BaseModel] | Mapping[str, Any]
    title: str
    content_type: str = "application/json"
    is_retained: bool = True
    expiry_s: int | None = None


_LINK = {"type": "string", "enum": ["online", "offline"]}
_LAMP = {
    "type": "string",
    "description": "off, on, slow, fast, or the words set for this bin (lamp_words)",
}

TOPICS: tuple[Topic, ...] = (
    Topic("link", "link", "send", _LINK, "Whether the bench is served; its will", "text/plain"),
    Topic("about", "about", "send", About, "What runs here"),
    Topic("state", "state", "send", State, "Where the bench stands; at least every 5 s"),
    Topic("lot", "lot", "send", Lot, "Counts of the open lot, from the store"),
    Topic("recent", "recent", "send", Recent, "Last pieces and distribution"),
    Topic("prompt", "prompt", "send", Prompt, "What the operator does next"),
    Topic(
        "alarm", "alarm/{code}", "send", AlarmData,
        "A condition that needs an answer, while it stands; empty when it is gone",
    ),
    Topic(
        "lamp", "lamp/{bin}", "send", _LAMP,
        "Lamp over a bin: only off is retained, the others are repeated every 5 s",
        "text/plain", is_retained=False, expiry_s=15,
    ),
    Topic(
        "placed", "placed/{bin}", "receive", Placed,
        "A bin's sensor or button saw a piece; an empty payload is taken as well",
        is_retained=False,
    ),
    Topic("command", "command", "receive", Command, "A command", is_retained=False),
    Topic("reply", "reply", "send", Reply, "The reply to a command", is_retained=False),
)  # fmt: skip


def event_model(kind: EventKind) -> type[BaseModel]:
    """Return the envelope of one kind of event, its data narrowed to that kind's."""
    fields: dict[str, Any] = {
        "data": (EVENT_DATA[kind], ...),
        "type": (Literal[f"reclamp.{kind}.v1"], ...),
    }
    name = "".join(part.capitalize() for part in kind.split("-")) + "Event"
    return create_model(name, __base__=Event, **fields)


def payload_schemas() -> dict[str, dict[str, Any]]:
    """Return a JSON Schema (2020-12) for every payload, by name."""
    found: dict[str, dict[str, Any]] = {}
    for topic in TOPICS:
        found[topic.name] = _schema_of(topic.payload)
    for kind in EVENT_DATA:
        found[f"event-{kind}"] = _schema_of(event_model(kind))
    return found


def _schema_of(payload: type[BaseModel] | Mapping[str, Any]) -> dict[str, Any]:
    if isinstance(payload, Mapping):
        return {"$schema": DIALECT, **payload}
    return {"$schema": DIALECT, **TypeAdapter(payload).json_schema(mode="serialization")}


def asyncapi(root: str = "reclamp") -> dict[str, Any]:
    """Return the AsyncAPI 3.0 document of every topic below ``root``."""
    channels: dict[str, Any] = {}
    operations: dict[str, Any] = {}
    messages: dict[str, Any] = {}
    schemas: dict[str, Any] = {}
    for topic in [*TOPICS, *_event_topics()]:
        channels[topic.name] = _channel(topic, root)
        operations[topic.name] = _operation(topic)
        messages[topic.name] = {
            "name": topic.name,
            "title": topic.title,
            "contentType": topic.content_type,
            "payload": {
                "schemaFormat": _FORMAT,
                "schema": _shared(_schema_of(topic.payload), schemas),
            },
        }
    operations["command"]["reply"] = {"channel": {"$ref": "#/channels/reply"}}
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "reclamp",
            "version": f"{CONTRACT}.0.0",
            "description": f"Topics of one bench, written by reclamp {version('reclamp')}.",
            "license": {"name": "MIT"},
        },
        "defaultContentType": "application/json",
        "channels": channels,
        "operations": operations,
        "components": {"messages": messages, "schemas": schemas},
    }


def _event_topics() -> list[Topic]:
    return [
        Topic(
            f"event-{kind}", f"event/{kind}", "send", event_model(kind),
            f"{kind}: at least once, in order, one seq without gaps a bench",
            "application/cloudevents+json", is_retained=False,
        )
        for kind in EVENT_DATA
    ]  # fmt: skip


def _channel(topic: Topic, root: str) -> dict[str, Any]:
    parameters = {"bench": {"description": "Id of the bench"}}
    for name, text in (("bin", "Id of the bin"), ("code", "Code of the alarm")):
        if f"{{{name}}}" in topic.address:
            parameters[name] = {"description": text}
    return {
        "address": f"{root}/{{bench}}/{topic.address}",
        "title": topic.title,
        "parameters": parameters,
        "messages": {topic.name: {"$ref": f"#/components/messages/{topic.name}"}},
    }


def _operation(topic: Topic) -> dict[str, Any]:
    binding: dict[str, Any] = {"qos": 1, "bindingVersion": "0.2.0"}
    if topic.action == "send":
        binding["retain"] = topic.is_retained
    if topic.expiry_s is not None:
        binding["messageExpiryInterval"] = topic.expiry_s
    return {
        "action": topic.action,
        "channel": {"$ref": f"#/channels/{topic.name}"},
        "title": topic.title,
        "messages": [{"$ref": f"#/channels/{topic.name}/messages/{topic.name}"}],
        "bindings": {"mqtt": binding},
    }


def _shared(schema: dict[str, Any], schemas: dict[str, Any]) -> dict[str, Any]:
    """Move a schema's own definitions to the document's components; return it rewritten."""
    definitions = schema.pop("$defs", {})
    schema.pop("$schema", None)
    for name, definition in definitions.items():
        schemas[name] = _rewritten(definition)
    result = _rewritten(schema)
    assert isinstance(result, dict)  # a schema is a table
    return result


def _rewritten(part: Any) -> Any:
    if isinstance(part, dict):
        return {
            key: value.replace("#/$defs/", "#/components/schemas/")
            if key == "$ref" and isinstance(value, str)
            else _rewritten(value)
            for key, value in part.items()
        }
    return [_rewritten(inner) for inner in part] if isinstance(part, list) else part
