"""Messages: what the contract refuses is refused by its class, and no bytes whatever raise anything else."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.errors import ContractError, Refusal
from shared.messages import (
    Message,
    Presence,
    ReadError,
    Receipt,
    ReceiptBoot,
    Tally,
    decode,
    decode_receipt,
    encode,
)
from shared.quantities import INT_MAX, MAX_PAYLOAD_BYTES, MAX_SOCKETS
from shared.topics import Kind

Fields = Mapping[str, str]

# Fields as JSON text, so that a test can spell what a JSON library would not write.
PRESENCE: Fields = {"v": "1", "online": "true", "boot": '"b1"', "t_ms": "1000", "boards": "[1,2]"}
TALLY: Fields = {
    "v": "1",
    "boot": '"b1"',
    "seq": "7",
    "t_ms": "1000",
    "up_ms": "500",
    "temp_c": "125.25",
    "supply_v": "null",
    "reads": "[10,null]",
    "errors": "[1,null]",
}
ERROR: Fields = {
    "v": "1",
    "boot": '"b1"',
    "n": "0",
    "t_ms": "1000",
    "up_ms": "500",
    "socket": "1",
    "address": "64",
    "expected": '"a5"',
    "observed": '"a4"',
    "read_index": "9",
    "count": "1",
}
GOOD = {Kind.PRESENCE: PRESENCE, Kind.TALLY: TALLY, Kind.ERROR: ERROR}
FROM_A_RACK = list(GOOD)


def spell(fields: Fields, **changes: str) -> bytes:
    """A JSON object from fields that are JSON text already; a lone surrogate becomes bytes that are not UTF-8."""
    members = ",".join(f'"{name}":{text}' for name, text in {**fields, **changes}.items())
    return f"{{{members}}}".encode("utf-8", "surrogatepass")


def refusal(kind: Kind, payload: bytes) -> Refusal:
    with pytest.raises(ContractError) as caught:
        decode(kind, payload)
    return caught.value.reason


def outcome(kind: Kind, payload: bytes) -> Message | Refusal:
    """What the payload decodes to, or the class of its refusal; anything else that is raised goes through."""
    try:
        return decode(kind, payload)
    except ContractError as error:
        return error.reason


def test_the_payloads_that_the_tests_spoil_are_good() -> None:
    assert decode(Kind.PRESENCE, spell(PRESENCE)) == Presence(
        v=1, online=True, boot="b1", t_ms=1000, boards=[1, 2]
    )
    assert decode(Kind.TALLY, spell(TALLY)) == Tally(
        v=1,
        boot="b1",
        seq=7,
        t_ms=1000,
        up_ms=500,
        temp_c=125.25,
        supply_v=None,
        reads=[10, None],
        errors=[1, None],
    )
    assert decode(Kind.ERROR, spell(ERROR)) == ReadError(
        v=1,
        boot="b1",
        n=0,
        t_ms=1000,
        up_ms=500,
        socket=1,
        address=64,
        expected="a5",
        observed="a4",
        read_index=9,
        count=1,
    )


@pytest.mark.parametrize(
    "payload",
    [
        b'{"v":1,"boot":"\xff"}',
        spell(TALLY, boot='"\xe9"').decode().encode("latin-1"),
        spell(TALLY, boot='"\ud800"'),
        b"\xff\xfe",
        spell(TALLY).decode().encode("utf-16"),
    ],
    ids=["stray byte", "latin-1", "surrogate as bytes", "bytes", "utf-16"],
)
def test_text_that_is_not_utf8_is_refused(payload: bytes) -> None:
    assert refusal(Kind.TALLY, payload) is Refusal.ENCODING


@pytest.mark.parametrize("member", [b'"unknown":"\xff"', b'"\xff":1'])
def test_text_that_is_not_utf8_is_refused_in_an_unknown_field_too(member: bytes) -> None:
    assert refusal(Kind.TALLY, spell(TALLY)[:-1] + b"," + member + b"}") is Refusal.ENCODING


@pytest.mark.parametrize("kind", FROM_A_RACK)
@pytest.mark.parametrize(
    "spoil",
    [
        lambda good: b"",
        lambda good: b"hello",
        lambda good: b"\x00",
        lambda good: good[:-1],
        lambda good: good + b"x",
        lambda good: good + good,
        lambda good: b"\xef\xbb\xbf" + good,
        lambda good: good.replace(b'"', b"'"),
        lambda good: good[:-1] + b",}",
    ],
    ids=[
        "empty",
        "text",
        "nul",
        "cut",
        "tail",
        "twice",
        "byte order mark",
        "quotes",
        "comma",
    ],
)
def test_what_is_not_json_is_refused(kind: Kind, spoil: object) -> None:
    assert callable(spoil)
    assert refusal(kind, spoil(spell(GOOD[kind]))) is Refusal.JSON


@pytest.mark.parametrize(
    "text", ["NaN", "Infinity", "-Infinity", "nan", "01", "+1", "1.", ".5", "0x10", "1_000"]
)
@pytest.mark.parametrize("field", ["temp_c", "seq", "unknown"])
def test_a_number_that_json_does_not_have_is_refused(field: str, text: str) -> None:
    assert refusal(Kind.TALLY, spell(TALLY, **{field: text})) is Refusal.JSON


@pytest.mark.parametrize(
    "text", [r'"\ud800"', r'"\udc00"', r'"\ud800\ud800"', r'"\udc00\ud800"', r'"a\ud800b"']
)
@pytest.mark.parametrize("field", ["boot", "unknown"])
def test_a_lone_surrogate_escape_is_refused(field: str, text: str) -> None:
    """RFC 8259 section 8.2 calls its effect unpredictable; a string that cannot be stored is not let in."""
    assert refusal(Kind.TALLY, spell(TALLY, **{field: text})) is Refusal.JSON
    paired = decode(Kind.TALLY, spell(TALLY, boot=r'"\ud83d\ude00"'))
    assert paired.boot == "\N{GRINNING FACE}"


@pytest.mark.parametrize("payload", [b"[]", b"null", b"1", b'"tally"', b"true"])
@pytest.mark.parametrize("kind", FROM_A_RACK)
def test_what_is_not_an_object_is_refused(kind: Kind, payload: bytes) -> None:
    assert refusal(kind, payload) is Refusal.FIELD


REQUIRED = [(kind, name) for kind, fields in GOOD.items() for name in fields]


@pytest.mark.parametrize(("kind", "name"), REQUIRED)
def test_a_missing_field_is_refused(kind: Kind, name: str) -> None:
    without = {key: text for key, text in GOOD[kind].items() if key != name}
    assert refusal(kind, spell(without)) is Refusal.FIELD


@pytest.mark.parametrize(("kind", "name"), REQUIRED)
@pytest.mark.parametrize("text", ['{"a":1}', "[[]]", "-1.5"])
def test_an_ill_typed_field_is_refused(kind: Kind, name: str, text: str) -> None:
    if name == "temp_c" and text == "-1.5":
        assert decode(kind, spell(TALLY, temp_c=text)).temp_c == -1.5
    elif name == "supply_v" and text == "-1.5":
        assert decode(kind, spell(TALLY, supply_v=text)).supply_v == -1.5
    else:
        assert refusal(kind, spell(GOOD[kind], **{name: text})) is Refusal.FIELD


@pytest.mark.parametrize("name", [name for name in TALLY if name not in ("temp_c", "supply_v")])
def test_null_is_refused_where_the_contract_has_none(name: str) -> None:
    assert refusal(Kind.TALLY, spell(TALLY, **{name: "null"})) is Refusal.FIELD
    both_lost = decode(Kind.TALLY, spell(TALLY, temp_c="null", supply_v="null"))
    assert (both_lost.temp_c, both_lost.supply_v) == (None, None)


INTEGERS = [
    (kind, name)
    for kind, names in {
        Kind.PRESENCE: ["v", "t_ms"],
        Kind.TALLY: ["v", "seq", "t_ms", "up_ms"],
        Kind.ERROR: ["v", "n", "t_ms", "up_ms", "socket", "address", "read_index", "count"],
    }.items()
    for name in names
]
COUNTERS = [(kind, name) for kind, name in INTEGERS if name not in ("v", "t_ms")]


@pytest.mark.parametrize(("kind", "name"), INTEGERS)
@pytest.mark.parametrize(
    "text", ["1.0", "1e0", "1E2", "10e-1", "true", "false", '"1"', str(2**63), "9" * 4000]
)
def test_what_is_not_an_exact_integer_is_refused(kind: Kind, name: str, text: str) -> None:
    assert refusal(kind, spell(GOOD[kind], **{name: text})) is Refusal.FIELD


@pytest.mark.parametrize(("kind", "name"), COUNTERS)
def test_a_counter_is_never_negative(kind: Kind, name: str) -> None:
    assert refusal(kind, spell(GOOD[kind], **{name: "-1"})) is Refusal.FIELD


@pytest.mark.parametrize(("kind", "name"), [pair for pair in COUNTERS if pair[1] != "socket"])
def test_a_counter_is_exact_up_to_the_largest(kind: Kind, name: str) -> None:
    decoded = decode(kind, spell(GOOD[kind], **{name: str(INT_MAX)}))
    assert getattr(decoded, name) == 9223372036854775807


@pytest.mark.parametrize("name", ["socket", "read_index", "count"])
def test_what_counts_from_one_is_never_zero(name: str) -> None:
    assert refusal(Kind.ERROR, spell(ERROR, **{name: "0"})) is Refusal.FIELD


@pytest.mark.parametrize("text", ["[1.0,null]", "[true,null]", "[-1,null]", f"[{2**63},null]", '["1",null]'])
@pytest.mark.parametrize("name", ["reads", "errors"])
def test_the_counters_of_sockets_are_as_strict(name: str, text: str) -> None:
    assert refusal(Kind.TALLY, spell(TALLY, **{name: text})) is Refusal.FIELD


@pytest.mark.parametrize("text", ["1e400", "-1e400", "9" * 400, "true", '"125"', "[125]"])
@pytest.mark.parametrize("name", ["temp_c", "supply_v"])
def test_a_measurement_is_a_number_that_a_double_holds(name: str, text: str) -> None:
    assert refusal(Kind.TALLY, spell(TALLY, **{name: text})) is Refusal.FIELD
    assert getattr(decode(Kind.TALLY, spell(TALLY, **{name: "1e308"})), name) == 1e308
    assert getattr(decode(Kind.TALLY, spell(TALLY, **{name: "125"})), name) == 125.0


@pytest.mark.parametrize("text", ["0", "2", "-1", "null"])
@pytest.mark.parametrize("kind", FROM_A_RACK)
def test_another_version_is_refused(kind: Kind, text: str) -> None:
    assert refusal(kind, spell(GOOD[kind], v=text)) is Refusal.FIELD


@pytest.mark.parametrize("kind", FROM_A_RACK)
def test_a_boot_id_has_1_to_64_characters(kind: Kind) -> None:
    assert refusal(kind, spell(GOOD[kind], boot='""')) is Refusal.FIELD
    assert refusal(kind, spell(GOOD[kind], boot=f'"{"b" * 65}"')) is Refusal.FIELD
    widest = "\N{GRINNING FACE}" * 64
    assert decode(kind, spell(GOOD[kind], boot=f'"{widest}"')).boot == widest


@pytest.mark.parametrize(
    ("reads", "errors"),
    [
        ("[10,null]", "[1,0]"),
        ("[10,20]", "[1,null]"),
        ("[null,null]", "[null,0]"),
        ("[10]", "[1,0]"),
        ("[10,20]", "[1]"),
        ("[]", "[0]"),
    ],
)
def test_lists_that_speak_of_different_sockets_are_refused(reads: str, errors: str) -> None:
    assert refusal(Kind.TALLY, spell(TALLY, reads=reads, errors=errors)) is Refusal.SHAPE


def test_a_board_has_at_most_256_sockets() -> None:
    def tally_of(sockets: int) -> bytes:
        counters = json.dumps([INT_MAX] * sockets)
        return spell(TALLY, reads=counters, errors=counters)

    largest = decode(Kind.TALLY, tally_of(256))
    assert isinstance(largest, Tally)
    assert len(largest.reads) == MAX_SOCKETS == 256
    assert len(encode(largest)) <= MAX_PAYLOAD_BYTES
    assert refusal(Kind.TALLY, tally_of(257)) is Refusal.FIELD
    # an error message of a socket that no board has is well-formed: it is a stranger's
    assert decode(Kind.ERROR, spell(ERROR, socket="257")).socket == 257


@pytest.mark.parametrize("text", ['""', f'"{"a" * 65}"', '"0xa5"', '"g0"', '"a 5"', '"\\n"', '"٣"', '" a5"'])
def test_data_is_1_to_64_hexadecimal_digits(text: str) -> None:
    assert refusal(Kind.ERROR, spell(ERROR, expected=text, observed=text)) is Refusal.FIELD
    longest = decode(Kind.ERROR, spell(ERROR, expected=f'"{"aB" * 32}"', observed=f'"{"09" * 32}"'))
    assert (longest.expected, longest.observed) == ("aB" * 32, "09" * 32)


@pytest.mark.parametrize(("expected", "observed"), [(r'"a5\n"', r'"a5\n"'), (r'"a5\n"', '"a5f"')])
def test_a_line_end_is_no_hexadecimal_digit(expected: str, observed: str) -> None:
    assert refusal(Kind.ERROR, spell(ERROR, expected=expected, observed=observed)) is Refusal.FIELD


def test_data_of_different_width_is_refused() -> None:
    assert refusal(Kind.ERROR, spell(ERROR, expected='"a5"', observed='"a"')) is Refusal.SHAPE


@pytest.mark.parametrize("text", ["[1.0]", "[true]", "[null]", '["1"]', "null", "1"])
def test_the_boards_of_a_presence_are_integers(text: str) -> None:
    assert refusal(Kind.PRESENCE, spell(PRESENCE, boards=text)) is Refusal.FIELD


@pytest.mark.parametrize("number", [2**63, 2**64, 10**30])
def test_the_boards_of_a_presence_are_exact_integers(number: int) -> None:
    assert refusal(Kind.PRESENCE, spell(PRESENCE, boards=f"[{number}]")) is Refusal.FIELD


def test_boards_may_be_absent_only_when_offline() -> None:
    absent = {name: text for name, text in PRESENCE.items() if name != "boards"}
    offline = decode(Kind.PRESENCE, spell(absent, online="false"))
    assert encode(offline) == b'{"v":1,"online":false,"boot":"b1","t_ms":1000}'
    assert refusal(Kind.PRESENCE, spell(absent)) is Refusal.FIELD


@pytest.mark.parametrize("text", ["0", "1", "null", '"true"'])
def test_online_is_a_bool(text: str) -> None:
    assert refusal(Kind.PRESENCE, spell(PRESENCE, online=text)) is Refusal.FIELD


@pytest.mark.parametrize("text", ["null", "1", "[]"])
def test_software_is_text_or_absent(text: str) -> None:
    assert refusal(Kind.PRESENCE, spell(PRESENCE, software=text)) is Refusal.FIELD
    named = decode(Kind.PRESENCE, spell(PRESENCE, software='"rackd 3.2"'))
    assert isinstance(named, Presence)
    assert named.software == "rackd 3.2"


@pytest.mark.parametrize("kind", FROM_A_RACK)
def test_a_payload_has_at_most_16_kib(kind: Kind) -> None:
    good = spell(GOOD[kind])
    assert decode(kind, good.ljust(16 * 1024)) == decode(kind, good)
    assert refusal(kind, good.ljust(16 * 1024 + 1)) is Refusal.SIZE
    assert refusal(kind, b"\xff" * (16 * 1024 + 1)) is Refusal.SIZE  # before anything is parsed


@pytest.mark.parametrize(
    ("opening", "core", "closing"), [("[", "", "]"), ('{"a":', "1", "}")], ids=["list", "object"]
)
def test_deep_nesting_within_16_kib_is_refused_or_ignored_but_never_more(
    opening: str, core: str, closing: str
) -> None:
    """How deep is too deep is the interpreter's: 3.11 counts its own frames, later ones allow more in C."""
    depth = (MAX_PAYLOAD_BYTES - 512) // len(opening + closing)
    payload = spell(TALLY, unknown=opening * depth + core + closing * depth)
    assert 15 * 1024 < len(payload) <= MAX_PAYLOAD_BYTES
    if sys.version_info < (3, 12):
        assert refusal(Kind.TALLY, payload) is Refusal.DEPTH
    else:
        assert outcome(Kind.TALLY, payload) in (Refusal.DEPTH, decode(Kind.TALLY, spell(TALLY)))
    assert refusal(Kind.TALLY, spell(TALLY, reads="[" * 5000 + "]" * 5000)) is Refusal.FIELD


@pytest.mark.parametrize("kind", FROM_A_RACK)
@pytest.mark.parametrize("text", ["null", "1e400", '{"boot":[1,{"v":2}]}', r'"\u0000"', "-0.0"])
def test_unknown_fields_are_ignored(kind: Kind, text: str) -> None:
    assert decode(kind, spell(GOOD[kind], unknown=text)) == decode(kind, spell(GOOD[kind]))


@pytest.mark.parametrize(("kind", "name"), REQUIRED)
@pytest.mark.parametrize("spelt", ["plain", "escaped", "first"])
def test_a_field_that_stands_twice_is_refused(kind: Kind, name: str, spelt: str) -> None:
    """RFC 8259 section 4 leaves open which one counts: two readers of one message must not differ."""
    key = "".join(f"\\u{ord(char):04x}" for char in name) if spelt == "escaped" else name
    member = f'"{key}":{GOOD[kind][name]}'.encode()
    good = spell(GOOD[kind])
    twice = b"{" + member + b"," + good[1:] if spelt == "first" else good[:-1] + b"," + member + b"}"
    assert json.loads(twice) == json.loads(good)
    assert refusal(kind, twice) is Refusal.FIELD


@pytest.mark.parametrize("kind", FROM_A_RACK)
def test_what_the_contract_does_not_name_may_stand_twice_and_may_hold_its_names(kind: Kind) -> None:
    strange = b',"x":1,"x":' + b"9" * 5000 + b',"y":{"boot":1,"boot":2},"z":"\x01 \\"seq\\":1","w":[{"v":2}]}'
    assert decode(kind, spell(GOOD[kind])[:-1] + strange.replace(b"\x01", b"\\u0001")) == decode(
        kind, spell(GOOD[kind])
    )


def test_a_boot_may_be_called_like_a_field() -> None:
    boot = '"boot\\",\\"boot"'
    assert decode(Kind.TALLY, spell(TALLY, boot=boot)).boot == 'boot","boot'


@pytest.mark.parametrize("ill", [b'{"seq":-1,' + spell(TALLY)[1:], spell(TALLY)[:-1] + b',"seq":-1}'])
def test_a_duplicate_that_is_ill_typed_spoils_the_message_wherever_it_stands(ill: bytes) -> None:
    assert refusal(Kind.TALLY, ill) is Refusal.FIELD


def test_a_receipt_is_not_taken_from_a_rack() -> None:
    payload = encode(Receipt(v=1, run="r", t_ms=0, boots={}))
    assert decode_receipt(payload) == Receipt(v=1, run="r", t_ms=0, boots={})
    assert refusal(Kind.RECEIPT, payload) is Refusal.TOPIC


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\xff",
        b"[]",
        b'{"v":1,"run":"\xff","t_ms":0,"boots":{}}',
        b'{"v":2,"run":"r","t_ms":0,"boots":{}}',
        b'{"v":1,"run":"","t_ms":0,"boots":{}}',
        b'{"v":1,"run":"r","t_ms":0}',
        b'{"v":1,"run":"r","t_ms":0,"boots":[]}',
        b'{"v":1,"run":"r","t_ms":0,"boots":{"":{"tally":{},"error":{}}}}',
        b'{"v":1,"run":"r","t_ms":0,"boots":{"b":{"tally":{}}}}',
        b'{"v":1,"run":"r","t_ms":0,"boots":{"b":{"tally":{"1":-1},"error":{}}}}',
        b'{"v":1,"run":"r","t_ms":0,"boots":{"b":{"tally":{"1":1.0},"error":{}}}}',
        b'{"v":1,"run":"r","t_ms":0,"boots":{},"x":' + b"[" * 8000 + b"]" * 8000,
    ],
)
def test_a_wrong_receipt_is_refused(payload: bytes) -> None:
    with pytest.raises(ContractError):
        decode_receipt(payload)


def test_a_view_of_memory_decodes_like_bytes() -> None:
    assert decode(Kind.TALLY, memoryview(spell(TALLY))) == decode(Kind.TALLY, spell(TALLY))


# --- any bytes whatever -------------------------------------------------------------------------------------------

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)


@st.composite
def spoiled_payloads(draw: st.DrawFn) -> bytes:
    """A good message with some fields changed, and then perhaps a piece of its bytes."""
    fields = dict(draw(st.sampled_from(list(GOOD.values()))))
    for name in draw(st.lists(st.sampled_from([*fields, "unknown"]), max_size=3)):
        fields[name] = json.dumps(draw(json_values))
    payload = spell(fields)
    if draw(st.booleans()):
        start = draw(st.integers(0, len(payload)))
        payload = payload[:start] + draw(st.binary(max_size=4)) + payload[start + draw(st.integers(0, 4)) :]
    return payload


@settings(max_examples=500)
@given(st.sampled_from(list(Kind)), st.binary(max_size=200) | spoiled_payloads())
def test_any_bytes_decode_or_are_refused_and_nothing_else(kind: Kind, payload: bytes) -> None:
    result = outcome(kind, payload)
    assert isinstance(result, Refusal) or decode(kind, encode(result)) == result


@settings(max_examples=500)
@given(st.binary(max_size=200) | spoiled_payloads())
def test_any_bytes_are_a_receipt_or_are_refused_and_nothing_else(payload: bytes) -> None:
    try:
        receipt = decode_receipt(payload)
    except ContractError:
        return
    assert decode_receipt(encode(receipt)) == receipt


# --- round trip ---------------------------------------------------------------------------------------------------

counters = st.integers(0, 2**63 - 1)
positives = st.integers(1, 2**63 - 1)
instants = st.integers(-(2**63) + 1, 2**63 - 1)
boots = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=64)
measured = st.none() | st.floats(allow_nan=False, allow_infinity=False)
header = {"v": st.just(1), "boot": boots, "t_ms": instants}

presences = st.builds(
    Presence,
    **header,
    online=st.just(True),
    boards=st.lists(st.integers(1, 9999), max_size=64),
    software=boots,
) | st.builds(Presence, **header, online=st.just(False))


@st.composite
def tallies(draw: st.DrawFn) -> Tally:
    pairs = draw(st.lists(st.none() | st.tuples(counters, counters), max_size=256))
    return Tally(
        v=1,
        boot=draw(boots),
        seq=draw(counters),
        t_ms=draw(instants),
        up_ms=draw(counters),
        temp_c=draw(measured),
        supply_v=draw(measured),
        reads=[pair and pair[0] for pair in pairs],
        errors=[pair and pair[1] for pair in pairs],
    )


@st.composite
def read_errors(draw: st.DrawFn) -> ReadError:
    width = draw(st.integers(1, 64))
    words = st.text("0123456789abcdefABCDEF", min_size=width, max_size=width)
    return draw(
        st.builds(
            ReadError,
            **header,
            n=counters,
            up_ms=counters,
            socket=st.integers(1, 256),
            address=counters,
            expected=words,
            observed=words,
            read_index=positives,
            count=positives,
        )
    )


marks = st.dictionaries(st.integers(1, 9999).map(str), counters, max_size=8)
receipts = st.builds(
    Receipt,
    v=st.just(1),
    run=boots,
    t_ms=instants,
    boots=st.dictionaries(boots, st.builds(ReceiptBoot, tally=marks, error=marks), max_size=4),
)


def assert_round_trip(kind: Kind, message: Message) -> None:
    payload = encode(message)
    assert decode(kind, payload) == message
    assert encode(decode(kind, payload)) == payload
    read_elsewhere = json.loads(payload)  # Python's own JSON library reads the same integers
    assert read_elsewhere["t_ms"] == message.t_ms


@given(presences)
def test_a_presence_survives_the_wire(message: Presence) -> None:
    assert_round_trip(Kind.PRESENCE, message)


@given(tallies())
def test_a_tally_survives_the_wire(message: Tally) -> None:
    assert_round_trip(Kind.TALLY, message)
    assert json.loads(encode(message))["reads"] == message.reads


@given(read_errors())
def test_a_read_error_survives_the_wire(message: ReadError) -> None:
    assert_round_trip(Kind.ERROR, message)


@given(receipts)
def test_a_receipt_survives_the_wire(receipt: Receipt) -> None:
    assert decode_receipt(encode(receipt)) == receipt
