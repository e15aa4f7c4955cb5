"""The AsyncAPI document and the code say the same: fields, types, ranges, topics, qualities of service, examples.

Both sides are brought to one plain form of JSON Schema and compared whole, so that a change to either alone fails.
What JSON Schema cannot say (lists of one length, boards while online) is shown by decoding instead.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import msgspec.inspect
import pytest
import yaml

import shared
from shared.errors import ContractError
from shared.messages import TYPES, decode, decode_receipt, encode
from shared.quantities import (
    CONTRACT_VERSION,
    MAX_PAYLOAD_BYTES,
    RECEIPT_BOOTS,
    RECEIPT_EVERY_S,
    RESEND_AFTER_S,
)
from shared.topics import Kind, Topic, format_topic, parse_topic, subscriptions

DOCUMENT: dict[str, Any] = yaml.safe_load((Path(shared.__file__).parent / "asyncapi.yaml").read_text("utf-8"))
KINDS = list(Kind)
WORDS = {"title", "description"}  # of a schema: for the reader, no constraint

# From the contract's page: who publishes it, at what quality of service, and whether the broker retains it.
CONTRACT = {
    Kind.PRESENCE: ("receive", 1, True),
    Kind.TALLY: ("receive", 1, False),
    Kind.ERROR: ("receive", 1, False),
    Kind.RECEIPT: ("send", 1, True),
}


def resolve(node: Any) -> Any:
    """``node`` with every reference inside the document replaced by what it refers to."""
    if isinstance(node, list):
        return [resolve(item) for item in node]
    if not isinstance(node, dict):
        return node
    if "$ref" not in node:
        return {key: resolve(value) for key, value in node.items()}
    assert set(node) == {"$ref"}, "JSON Schema draft 7 ignores what stands beside a reference"
    target: Any = DOCUMENT
    for step in node["$ref"].removeprefix("#/").split("/"):
        target = target[step]
    return resolve(target)


def plain(schema: dict[str, Any]) -> dict[str, Any]:
    """A resolved schema of the document in the plain form: words dropped, sets sorted, ``if`` set apart."""
    form = {key: value for key, value in schema.items() if key not in WORDS | {"if", "then"}}
    if isinstance(form.get("type"), list):
        form["type"] = sorted(form["type"])
    if "required" in form:
        form["required"] = sorted(form["required"])
    if "properties" in form:
        form["properties"] = {name: plain(field) for name, field in form["properties"].items()}
    for inner in ("items", "additionalProperties", "propertyNames"):
        if inner in form:
            form[inner] = plain(form[inner])
    return form


def plain_of_code(kind: msgspec.inspect.Type) -> dict[str, Any]:  # noqa: PLR0911 (one return for each type)
    """What msgspec says of a type, in the same form. A type or constraint that is not foreseen here fails."""
    match kind:
        case msgspec.inspect.LiteralType(values=(value,)):
            return {"const": value}
        case msgspec.inspect.BoolType():
            return {"type": "boolean"}
        case msgspec.inspect.IntType(gt=None, lt=None, multiple_of=None):
            return _given(type="integer", minimum=kind.ge, maximum=kind.le)
        case msgspec.inspect.FloatType(gt=None, lt=None, multiple_of=None):
            return _given(type="number", minimum=kind.ge, maximum=kind.le)
        case msgspec.inspect.StrType():
            return _given(
                type="string", minLength=kind.min_length, maxLength=kind.max_length, pattern=kind.pattern
            )
        case msgspec.inspect.UnionType(types=(one, msgspec.inspect.NoneType())):
            form = plain_of_code(one)
            return {**form, "type": sorted([form["type"], "null"])}
        case msgspec.inspect.ListType():
            return _given(
                type="array",
                items=plain_of_code(kind.item_type),
                minItems=kind.min_length,
                maxItems=kind.max_length,
            )
        case msgspec.inspect.DictType(min_length=None, max_length=None):
            names = plain_of_code(kind.key_type)
            return _given(
                type="object",
                propertyNames=None if names == {"type": "string"} else names,
                additionalProperties=plain_of_code(kind.value_type),
            )
        case msgspec.inspect.StructType(array_like=False, forbid_unknown_fields=False, tag=None):
            return {
                "type": "object",
                "properties": {field.encode_name: plain_of_code(field.type) for field in kind.fields},
                "required": sorted(field.encode_name for field in kind.fields if field.required),
            }
    raise AssertionError(f"the document has no form for {kind}")


def _given(**constraints: Any) -> dict[str, Any]:
    return {key: value for key, value in constraints.items() if value is not None}


def message_of(kind: Kind) -> dict[str, Any]:
    (message,) = DOCUMENT["channels"][kind.value]["messages"].values()
    resolved = resolve(message)
    assert isinstance(resolved, dict)
    return resolved


def operation_of(kind: Kind) -> dict[str, Any]:
    (operation,) = (
        operation
        for operation in DOCUMENT["operations"].values()
        if operation["channel"] == {"$ref": f"#/channels/{kind.value}"}
    )
    assert isinstance(operation, dict)
    return operation


# --- fields -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_every_field_of_the_document_is_that_of_the_struct(kind: Kind) -> None:
    assert plain(message_of(kind)["payload"]) == plain_of_code(msgspec.inspect.type_info(TYPES[kind]))


@pytest.mark.parametrize("kind", KINDS)
def test_the_document_lists_the_fields_in_the_order_they_are_written_in(kind: Kind) -> None:
    documented = list(message_of(kind)["payload"]["properties"])
    assert documented == [field.encode_name for field in msgspec.structs.fields(TYPES[kind])]


def constraints(schema: dict[str, Any], path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Paths of everything in a schema that constrains."""
    for key, value in schema.items():
        yield (*path, key)
        if isinstance(value, dict):
            yield from constraints(value, (*path, key))


@pytest.mark.parametrize("kind", KINDS)
def test_leaving_any_constraint_out_of_the_document_is_noticed(kind: Kind) -> None:
    """The comparison above cannot pass by having dropped something on the way."""
    payload = message_of(kind)["payload"]
    code = plain_of_code(msgspec.inspect.type_info(TYPES[kind]))
    paths = [path for path in constraints(payload) if not {"if", "then", *WORDS} & set(path)]
    assert len(paths) > len(payload["properties"])
    for path in paths:
        spoiled = copy.deepcopy(payload)
        owner = spoiled
        for step in path[:-1]:
            owner = owner[step]
        del owner[path[-1]]
        assert plain(spoiled) != code, path


def test_every_field_is_described() -> None:
    schemas = [*DOCUMENT["components"]["schemas"].values()]
    fields = [
        (name, resolve(field)) for schema in schemas for name, field in schema.get("properties", {}).items()
    ]
    assert len(fields) > 20
    assert [name for name, field in fields if len(field.get("description", "")) < 10] == []


def test_boards_are_required_of_an_online_rack_in_the_document_as_in_the_code() -> None:
    payload = message_of(Kind.PRESENCE)["payload"]
    assert payload["if"] == {"properties": {"online": {"const": True}}}
    assert payload["then"] == {"required": ["boards"]}
    with pytest.raises(ContractError, match="boards"):
        decode(Kind.PRESENCE, b'{"v":1,"online":true,"boot":"b","t_ms":0}')
    assert [kind for kind in KINDS if "if" in message_of(kind)["payload"]] == [Kind.PRESENCE]


# --- limits -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_limits_and_content_are_those_of_the_code(kind: Kind) -> None:
    message = message_of(kind)
    assert message["x-max-payload-bytes"] == MAX_PAYLOAD_BYTES == 16384
    assert message["contentType"] == DOCUMENT["defaultContentType"] == "application/json"
    assert message["payload"]["properties"]["v"]["const"] == CONTRACT_VERSION
    assert DOCUMENT["info"]["version"].split(".")[0] == str(CONTRACT_VERSION)
    assert message["name"] == kind.value


def test_numbers_in_words_are_those_of_the_code() -> None:
    receipt = " ".join(DOCUMENT["channels"]["receipt"]["description"].split())
    assert "every five seconds" in receipt
    assert RECEIPT_EVERY_S == 5
    assert "for 20 s" in receipt
    assert RESEND_AFTER_S == 20
    assert "latest four boots" in message_of(Kind.RECEIPT)["payload"]["properties"]["boots"]["description"]
    assert RECEIPT_BOOTS == 4


# --- topics and transport -----------------------------------------------------------------------------------------


def test_the_channels_are_the_kinds_of_topics() -> None:
    assert set(DOCUMENT["channels"]) == {kind.value for kind in Kind}
    assert len(DOCUMENT["operations"]) == len(Kind)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("prefix", "rack", "board"), [("lifebound", "oven-1", 1), ("lab/floor-2", "a", 9999)]
)
def test_addresses_are_the_topics_of_the_code(kind: Kind, prefix: str, rack: str, board: int) -> None:
    address = DOCUMENT["channels"][kind.value]["address"]
    topic = Topic(rack, board if "{board}" in address else 0, kind)
    text = address.format(prefix=prefix, rack=rack, board=board)
    assert text == format_topic(prefix, topic)
    assert parse_topic(prefix, text) == topic


@pytest.mark.parametrize("kind", KINDS)
def test_the_parameters_of_an_address_are_declared_and_fit(kind: Kind) -> None:
    channel = DOCUMENT["channels"][kind.value]
    assert set(channel["parameters"]) == set(re.findall(r"{(\w+)}", channel["address"]))
    parameters = {name: resolve(parameter) for name, parameter in channel["parameters"].items()}
    values = {
        name: [parameter["default"]] for name, parameter in parameters.items() if "default" in parameter
    }
    values |= {
        name: parameter["examples"] for name, parameter in parameters.items() if "examples" in parameter
    }
    for rack in values["rack"]:
        for board in values.get("board", ["1"]):
            text = channel["address"].format(prefix="lifebound", rack=rack, board=board)
            assert parse_topic("lifebound", text) is not None
    assert values["prefix"] == ["lifebound"]


def test_what_the_monitor_receives_is_what_it_subscribes_to() -> None:
    received = {kind for kind in KINDS if operation_of(kind)["action"] == "receive"}
    filters = {
        DOCUMENT["channels"][kind.value]["address"].format(prefix="lifebound", rack="+", board="+")
        for kind in received
    }
    assert filters == set(subscriptions("lifebound"))


@pytest.mark.parametrize("kind", KINDS)
def test_direction_quality_of_service_and_retention_are_the_contracts(kind: Kind) -> None:
    operation = operation_of(kind)
    binding = operation["bindings"]["mqtt"]
    assert (operation["action"], binding["qos"], binding["retain"]) == CONTRACT[kind]
    assert [resolve(message)["name"] for message in operation["messages"]] == [kind.value]


def test_the_session_of_the_monitor_is_durable() -> None:
    binding = DOCUMENT["servers"]["broker"]["bindings"]["mqtt"]
    assert binding["cleanSession"] is False
    assert binding["sessionExpiryInterval"] == {"type": "integer", "minimum": 7 * 24 * 3600}


# --- examples -----------------------------------------------------------------------------------------------------

EXAMPLES = [
    pytest.param(kind, example["payload"], id=f"{kind}-{example['name']}")
    for kind in KINDS
    for example in message_of(kind)["examples"]
]


@pytest.mark.parametrize(("kind", "example"), EXAMPLES)
def test_every_example_survives_the_code(kind: Kind, example: dict[str, Any]) -> None:
    payload = msgspec.json.encode(example)
    message = decode_receipt(payload) if kind is Kind.RECEIPT else decode(kind, payload)
    assert msgspec.json.decode(encode(message)) == example


@pytest.mark.parametrize("kind", KINDS)
def test_the_examples_show_every_field_at_least_once(kind: Kind) -> None:
    examples = [example["payload"] for example in message_of(kind)["examples"]]
    assert len(examples) >= 2
    assert set().union(*examples) == set(message_of(kind)["payload"]["properties"])


def test_the_examples_show_lost_sensors_and_empty_sockets() -> None:
    tallies = [example["payload"] for example in message_of(Kind.TALLY)["examples"]]
    for name in ("temp_c", "supply_v"):
        assert {tally[name] is None for tally in tallies} == {True, False}
    assert any(None in tally["reads"] and None in tally["errors"] for tally in tallies)
