"""Commands, options and their help. Nothing heavy is imported here, so ``--help`` is quick."""

from __future__ import annotations

import argparse
from typing import NoReturn

from shared.shown import escape
from shared.version import software

DEFAULT_HTTP = "127.0.0.1:8417"
_CAUTION = (
    "A figure supports a qualification decision and does not make it. lifebound is no safety interlock: ovens and "
    "raised supplies need their own, after local codes and the makers' instructions."
)


class Parser(argparse.ArgumentParser):
    """Says what is wrong in one sentence, on standard error, with exit code 2."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {escape(message)}; see '{self.prog} --help'\n")


def make_parser() -> Parser:
    """The parser of the whole command line."""
    parser = Parser(
        prog="lifebound",
        description="Monitor of operating-life stress on embedded non-volatile memory: keeps an account of every "
        "chip and says what may be claimed now.",
        epilog=_CAUTION,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=software())
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=Parser)
    _demo(commands)
    _check(commands)
    _plan(commands)
    _serve(commands)
    _watch(commands)
    _figures(commands)
    _disposition(commands)
    _readpoint(commands)
    _token(commands)
    _export(commands)
    _replay(commands)
    _simulate(commands)
    return parser


Commands = argparse._SubParsersAction


def _command(commands: Commands[Parser], name: str, text: str, example: str) -> Parser:
    return commands.add_parser(
        name,
        help=text,
        description=text[0].upper() + text[1:] + ".",
        epilog=f"Example: {example}",
        allow_abbrev=False,
    )


def _demo(commands: Commands[Parser]) -> None:
    p = _command(
        commands,
        "demo",
        "run a simulated campaign against an embedded broker and watch it",
        "lifebound demo --hours 200",
    )
    p.add_argument("--hours", type=positive, default=1000.0, help="length of the campaign in hours (1000)")
    p.add_argument("--speed", type=positive, default=36_000.0, help="simulated seconds per second (36000)")
    p.add_argument("--seed", type=int, default=3, help="seed of the simulation (3)")
    p.add_argument("--run", metavar="DIR", help="run directory (a new one under runs/)")
    p.add_argument("--plain", action="store_true", help="progress lines instead of the view")
    p.add_argument("--json", action="store_true", help="print the final figures document on standard output")


def _check(commands: Commands[Parser]) -> None:
    p = _command(
        commands,
        "check",
        "check a campaign file and say what it could claim, or a recorded run and say whether it is sound",
        "lifebound check campaign.toml",
    )
    p.add_argument(
        "path",
        metavar="CAMPAIGN|RUN",
        help="campaign file (TOML); run directory, or an exported .jsonl or .jsonl.zst",
    )
    p.add_argument(
        "--head", metavar="N:HEX", help="of a run: a head printed earlier, which must still be in its chain"
    )
    p.add_argument("--json", action="store_true", help="print what was found as JSON")


def _plan(commands: Commands[Parser]) -> None:
    p = _command(
        commands,
        "plan",
        "plan a campaign: find one quantity, written as '?', from all the others",
        "lifebound plan --chips '?' --hours 1000 --temp 125 --ea 0.7 --use-temp 55 --target 50 --confidence 0.6",
    )
    p.add_argument("--campaign", metavar="FILE", help="campaign file (TOML) for all that no option says")
    p.add_argument("--chips", metavar="N", type=quantity, help="chips under stress, or '?'")
    p.add_argument("--hours", metavar="H", type=quantity, help="hours of stress, or '?'")
    p.add_argument("--temp", metavar="C", type=quantity, help="stress temperature in °C, or '?'")
    p.add_argument("--supply", metavar="V", type=quantity, help="stress supply in V, or '?'")
    p.add_argument("--failures", metavar="R", type=quantity, help="failures allowed, or '?' (0)")
    p.add_argument("--confidence", metavar="C", type=quantity, help="confidence such as 0.9, or '?'")
    p.add_argument("--target", metavar="FIT", type=quantity, help="failure rate to show in FIT, or '?'")
    p.add_argument(
        "--life-years", metavar="Y", type=quantity, help="field life in years, or '?': what the hours cover"
    )
    p.add_argument("--ea", metavar="EV", type=number, help="activation energy in eV")
    p.add_argument(
        "--ea-low", metavar="EV", type=number, help="lower end of an interval that holds it for sure (none)"
    )
    p.add_argument("--ea-high", metavar="EV", type=number, help="upper end of that interval (none)")
    p.add_argument("--gamma", metavar="G", type=number, help="exponential voltage term in 1/V (none)")
    p.add_argument("--exponent", metavar="N", type=number, help="power of the supply (none)")
    p.add_argument("--use-temp", metavar="C", type=number, help="temperature in use in °C")
    p.add_argument("--use-supply", metavar="V", type=number, help="supply in use in V")
    p.add_argument("--self-heating", metavar="C", type=number, help="junction above ambient in °C (0)")
    p.add_argument("--mixture-rate", metavar="N", type=number, help="mixture of the any-time bound (5)")
    p.add_argument(
        "--compare", metavar="C,V", action="append", default=[], help="another stress to compare; repeatable"
    )
    p.add_argument("--sample-sizes", action="store_true", help="also the chips that show a percent defective")
    p.add_argument("--json", action="store_true", help="the plan as JSON")


def _serve(commands: Commands[Parser]) -> None:
    p = _command(
        commands,
        "serve",
        "record a campaign: subscribe to the racks, keep the account, serve the figures",
        "lifebound serve campaign.toml --broker mqtt://127.0.0.1:1883 --run runs/tern-a1",
    )
    p.add_argument("campaign", metavar="CAMPAIGN", help="campaign file (TOML)")
    p.add_argument(
        "--broker",
        metavar="URL",
        default="mqtt://127.0.0.1:1883",
        help="mqtt://HOST[:PORT], mqtts://HOST[:PORT] or embedded[:PORT]; user name and password come from "
        "LIFEBOUND_MQTT_USERNAME and LIFEBOUND_MQTT_PASSWORD (or LIFEBOUND_MQTT_PASSWORD_FILE), the authority's "
        "certificate from LIFEBOUND_MQTT_CA_FILE, a client certificate from LIFEBOUND_MQTT_CERT_FILE and "
        "LIFEBOUND_MQTT_KEY_FILE, the password of its key from LIFEBOUND_MQTT_KEY_PASSWORD_FILE "
        "(mqtt://127.0.0.1:1883)",
    )
    p.add_argument("--run", metavar="DIR", help="run directory (runs/ and the campaign's id)")
    p.add_argument(
        "--http",
        metavar="HOST:PORT",
        default=DEFAULT_HTTP,
        help=f"where to serve ({DEFAULT_HTTP}); beyond loopback only with a certificate or behind a proxy, and with a "
        "token",
    )
    p.add_argument("--http-cert", metavar="FILE", help="serve by TLS: certificate chain (PEM)")
    p.add_argument("--http-key", metavar="FILE", help="serve by TLS: private key of the certificate (PEM)")
    p.add_argument(
        "--behind-proxy", action="store_true", help="a TLS proxy stands in front: reads need the token too"
    )
    p.add_argument(
        "--webhook",
        metavar="URL",
        help="send alerts there as JSON; a URL with a secret in it: LIFEBOUND_WEBHOOK or LIFEBOUND_WEBHOOK_FILE",
    )


def _watch(commands: Commands[Parser]) -> None:
    p = _command(
        commands, "watch", "watch a running service in the terminal", "lifebound watch --run runs/tern-a1"
    )
    _source(p, required=False)
    p.add_argument("--plain", action="store_true", help="one line a change instead of the view")
    p.add_argument("--ascii", action="store_true", help="draw with ASCII only")


def _figures(commands: Commands[Parser]) -> None:
    p = _command(
        commands, "figures", "the figures as they stand now", "lifebound figures --run runs/tern-a1 --json"
    )
    _source(p, required=True)
    p.add_argument(
        "--intake", action="store_true", help="what came in: every count, and the latest message of each kind"
    )
    p.add_argument("--json", action="store_true", help="the figures document as JSON")


def _disposition(commands: Commands[Parser]) -> None:
    p = _command(
        commands,
        "disposition",
        "enter a judgement of one failed chip or several, under a name",
        'lifebound disposition --run runs/tern-a1 --serial A-007 --class not-relevant --who "R. Tern" '
        '--why "contact of socket 7 lost, see lab note 12"',
    )
    _source(p, required=True)
    p.add_argument("--serial", required=True, action="append", help="serial of a failed chip; repeatable")
    p.add_argument(
        "--class", dest="cls", required=True, choices=["relevant", "not-relevant"], help="the judgement"
    )
    p.add_argument("--mechanism", help="failure mechanism of a relevant failure, as the campaign names it")
    p.add_argument("--who", required=True, help="who judges")
    p.add_argument("--why", required=True, help="on what grounds, and where the analysis is documented")
    p.add_argument("--json", action="store_true", help="print the entry as JSON")


def _readpoint(commands: Commands[Parser]) -> None:
    p = _command(
        commands,
        "readpoint",
        "enter what chips measured at read points, and show their drift",
        'lifebound readpoint --run runs/tern-a1 margins-500h.csv --mechanism charge-loss --who "R. Tern"',
    )
    p.add_argument(
        "file",
        metavar="FILE",
        help="CSV with the columns serial, read_point_h, parameter, unit, value, low_limit, high_limit, removed_at "
        "(from stress), measured_at; one limit at least, times in UTC or empty; a row: A-001,500,read margin,mV,212.5,"
        "150,,2026-03-01T08:00:00Z,2026-03-01T15:30:00Z",
    )
    p.add_argument("--run", metavar="DIR", required=True, help="run directory")
    p.add_argument("--mechanism", help="by whose acceleration to extrapolate (the campaign's, if it has one)")
    p.add_argument("--who", help="who enters it")
    p.add_argument("--check", action="store_true", help="check and show the file, enter nothing")
    p.add_argument("--json", action="store_true", help="print the drift as JSON")


def _token(commands: Commands[Parser]) -> None:
    p = _command(
        commands,
        "token",
        "make the token of a run, which HTTP asks for beyond loopback and for every write",
        "lifebound token --run runs/tern-a1",
    )
    p.add_argument("--run", metavar="DIR", required=True, help="run directory, made if it is not there")
    p.add_argument("--revoke", action="store_true", help="take the token away instead; a new one does so too")


def _export(commands: Commands[Parser]) -> None:
    p = _command(
        commands, "export", "write a run as JSON lines", "lifebound export runs/tern-a1 tern-a1.jsonl.zst"
    )
    p.add_argument("run", metavar="RUN", help="run directory")
    p.add_argument("out", metavar="OUT", help="file to write: .jsonl, or .jsonl.zst to compress")
    p.add_argument("--json", action="store_true", help="print what was written as JSON")


def _replay(commands: Commands[Parser]) -> None:
    p = _command(
        commands,
        "replay",
        "fold a recorded run again, under its own campaign or another",
        "lifebound replay runs/tern-a1 --speed 3600",
    )
    p.add_argument("run", metavar="RUN", help="run directory, or an exported .jsonl or .jsonl.zst")
    p.add_argument("--campaign", metavar="FILE", help="campaign file to replay under, instead of its own")
    p.add_argument(
        "--speed", type=speed, default=None, help="times real time, shown in the view; or max (max)"
    )
    p.add_argument("--plain", action="store_true", help="progress lines instead of the view")
    p.add_argument("--ascii", action="store_true", help="draw with ASCII only")
    p.add_argument("--json", action="store_true", help="print exactly the final figures document")


def _simulate(commands: Commands[Parser]) -> None:
    p = _command(
        commands,
        "simulate",
        "simulate the racks of a campaign",
        "lifebound simulate campaign.toml --broker mqtt://127.0.0.1:1883 --hours 24 --speed 3600 --fail A-007@2.5",
    )
    p.add_argument("campaign", metavar="CAMPAIGN", help="campaign file (TOML)")
    where = p.add_mutually_exclusive_group(required=True)
    where.add_argument(
        "--broker", metavar="URL", help="publish to this broker; users and certificates as with serve"
    )
    where.add_argument(
        "--out", metavar="FILE", help="write an exported run (.jsonl, .jsonl.zst) without waiting"
    )
    p.add_argument("--truth", metavar="FILE", help="write what really happened as JSON")
    p.add_argument("--hours", type=positive, default=24.0, help="length in hours (24)")
    p.add_argument("--speed", type=speed, default=1.0, help="simulated seconds per second, or max (1)")
    p.add_argument("--seed", type=int, default=1, help="seed (1)")
    p.add_argument(
        "--preset",
        choices=["quiet", "demo", "harsh"],
        default="quiet",
        help="what goes wrong: nothing, an instructive mix, everything often (quiet)",
    )
    p.add_argument(
        "--fail", metavar="SERIAL@HOURS", action="append", default=[], help="make a chip fail; repeatable"
    )
    p.add_argument(
        "--no-receipts", action="store_true", help="racks without storage: do not wait for receipts"
    )
    p.add_argument("--json", action="store_true", help="print what really happened as JSON")


def _source(p: Parser, *, required: bool) -> None:
    group = p.add_mutually_exclusive_group(required=required)
    group.add_argument("--run", metavar="DIR", help="run directory")
    group.add_argument(
        "--url",
        metavar="HTTP",
        help=f"running service (http://{DEFAULT_HTTP}); its token comes "
        "from LIFEBOUND_HTTP_TOKEN_FILE or LIFEBOUND_HTTP_TOKEN, for https:// the authority's certificate from "
        "LIFEBOUND_HTTP_CA_FILE",
    )


def positive(text: str) -> float:
    """A number above 0."""
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r} is not a number above 0")
    return value


def number(text: str) -> float:
    """Any finite number."""
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not abs(value) < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r} is not a number")
    return value


def quantity(text: str) -> float | str:
    """A number; "?" where it is asked for."""
    try:
        return text if text == "?" else number(text)
    except argparse.ArgumentTypeError:
        raise argparse.ArgumentTypeError(f"{text!r} is neither a number nor ?") from None


def speed(text: str) -> float | None:
    """A speed-up; None for "max"."""
    if text == "max":
        return None
    try:
        return positive(text)
    except argparse.ArgumentTypeError:
        raise argparse.ArgumentTypeError(f"{text!r} is neither a number above 0 nor max") from None
