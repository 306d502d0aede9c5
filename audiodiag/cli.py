"""The command: read what is wanted, call, print.

Exit codes: 0 a diagnosis, 1 a fault of the program, 2 bad input, 3 no diagnosis could be given (cannot tell,
or not an engine bay), 130 stopped from the keyboard.

Only the standard library and light modules are loaded here, so that ``audiodiag --help`` answers at once.
"""

from __future__ import annotations

import argparse
import difflib
import os
import shutil
import sys
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any, NoReturn, TextIO

from audiodiag import __version__
from audiodiag.errors import AudiodiagError, UsageError
from audiodiag.options import ANALYSE_OPTIONS, TRAIN_OPTIONS, Option
from audiodiag.rows import BAD_INPUT, CANNOT_TELL, FAULT, Request, Row, row_of, rows_in_order

__all__ = ["main"]

STOPPED, NOBODY_READS = 130, 141
WIDEST = 100
MOST_TABLE_BYTES = 50_000_000
_ABOUT = (
    "Listens to a phone clip of the engine bay and says what is likely wrong with hydraulic power steering."
)
_ENDING = (
    "exit codes: 0 diagnosis, 1 fault of the program, 2 bad input, 3 cannot tell. "
    "Take care near a running engine."
)
_OPTIONS = {"analyse": ANALYSE_OPTIONS, "train": TRAIN_OPTIONS}
_SPEEDS = ("speed_rpm", "speed_table", "tach_channel", "tach_file")
_ONE_CLIP_ONLY = ("speed_table", "tach_file", "steering_marks", "steering_table")


def main(argv: Sequence[str] | None = None, *, analyse: Callable[..., Any] | None = None) -> int:
    """Run the command and give its exit code.

    ``argv``: the arguments without the program's name, by default those of the process. ``analyse``: another
    function in the place of `audiodiag.analysis.analyse`.

    >>> main(["version"])
    audiodiag ...
    0
    """
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by whoever started the program
            setattr(sys, name, Path(os.devnull).open("w", encoding="utf-8"))  # noqa: SIM115
    with suppress(AttributeError, ValueError):
        sys.stdout.reconfigure(errors="replace")  # type: ignore[union-attr]
        sys.stderr.reconfigure(errors="replace")  # type: ignore[union-attr]
    try:
        try:
            code = _run(list(sys.argv[1:] if argv is None else argv), analyse)
        except SystemExit as ending:  # how the parser ends after --help and --version
            code = int(ending.code or 0)
        sys.stdout.flush()
    except AudiodiagError as error:
        print(f"audiodiag: {error}", file=sys.stderr)
        return BAD_INPUT
    except KeyboardInterrupt:
        print("Stopped.", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:
        _let_go_of_output()
        return NOBODY_READS
    return code


def _run(argv: list[str], analyse: Callable[..., Any] | None) -> int:
    parser = _parser()
    if not argv:
        parser.print_help(sys.stderr)
        return BAD_INPUT
    wanted, unknown = parser.parse_known_args(argv)
    if unknown:
        raise _unknown_option(unknown[0], wanted.command)
    if wanted.command == "analyse":
        return _analyse(wanted, analyse)
    if wanted.command == "train":
        return _train(wanted)
    if wanted.command == "questions":
        return _questions()
    print(f"audiodiag {__version__}")
    return 0


def _unknown_option(got: str, command: str) -> UsageError:
    known = [option.flag for option in _OPTIONS.get(command, ())]
    near = difflib.get_close_matches(got.partition("=")[0], known, n=1)
    todo = f"did you mean {near[0]}?" if near else f"see audiodiag {command} --help"
    if os.path.exists(got):  # noqa: PTH110, gives no error for odd names
        todo = f"for a clip whose name begins with a dash, write ./{got}"
    return UsageError(
        "there is no such option",
        got=got,
        allowed=", ".join(known) or "no option",
        todo=todo,
    )


class _Parser(argparse.ArgumentParser):
    """A parser whose complaints have the form of all our errors."""

    def error(self, message: str) -> NoReturn:
        raise UsageError(
            "the command cannot be understood",
            got=message,
            allowed=" ".join(self.format_usage().split()).removeprefix("usage: "),
            todo=f"see {self.prog} --help",
        )


def _parser() -> _Parser:
    parser = _Parser(prog="audiodiag", description=_ABOUT, epilog=_ENDING, allow_abbrev=False)
    parser.add_argument("--version", action="version", version=f"audiodiag {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    analyse = commands.add_parser(
        "analyse",
        help="say what is heard in clips, what probably causes it and what to check first",
        description="Says what is heard in each clip, what probably causes it and what to check first.",
        epilog=_ENDING,
        usage="audiodiag analyse CLIP... [options]",
        allow_abbrev=False,
    )
    analyse.add_argument(
        "clips", nargs="*", metavar="CLIP", help="recording: m4a, mp4, 3gp, webm, ogg, wav ..."
    )
    _add_options(analyse, ANALYSE_OPTIONS)
    commands.add_parser(
        "questions",
        help="print the questions about the car that --saw answers",
        description="Prints the questions about the car, and the answers that --saw takes.",
    )
    train = commands.add_parser(
        "train",
        help="train the model anew on simulated clips and on labelled ones of your own",
        description="Trains the model anew; clips of one's own need a label file beside each.",
        usage="audiodiag train [options]",
        allow_abbrev=False,
    )
    _add_options(train, TRAIN_OPTIONS)
    commands.add_parser("version", help="print the version", description="Prints the version.")
    return parser


def _add_options(parser: argparse.ArgumentParser, options: Iterable[Option]) -> None:
    """Add the options; their texts are turned into values later, so that refusals speak our words."""
    groups: dict[str, argparse._ArgumentGroup] = {}
    for option in options:
        if option.group not in groups:
            groups[option.group] = parser.add_argument_group(option.group)
        say = option.help.replace("%", "%%")
        if option.kind == "flag":
            groups[option.group].add_argument(option.flag, dest=option.field, action="store_true", help=say)
        else:
            action = "append" if option.repeats else "store"
            groups[option.group].add_argument(
                option.flag, dest=option.field, metavar=option.metavar, action=action, help=say
            )


def _analyse(wanted: argparse.Namespace, analyse: Callable[..., Any] | None) -> int:
    clips: list[str] = wanted.clips
    given = _values(wanted, ANALYSE_OPTIONS)
    _refuse_contradictions(clips, given)
    _refuse_odd_tables(given)
    settings = _settings(given, wanted.saw or [])
    request = Request(
        json=wanted.json,
        quiet=wanted.quiet,
        out=_folder(clips, wanted.out),
        width=min(WIDEST, shutil.get_terminal_size((80, 24)).columns) if sys.stdout.isatty() else 80,
        colour=_colour_wanted(sys.stdout),
        settings=settings,
        analyse=analyse,
    )
    codes: set[int] = set()
    airy = not request.json and not request.quiet
    with closing(_rows(clips, request)) as rows:
        for row in rows:
            sys.stderr.write(row.complaint)
            if row.output:
                sys.stdout.write(("\n" if airy and codes else "") + row.output)
                sys.stdout.flush()
            codes.add(row.exit_code)
    return next((code for code in (FAULT, BAD_INPUT, CANNOT_TELL) if code in codes), 0)


def _train(wanted: argparse.Namespace) -> int:
    given: dict[str, Any] = {option.field: option.preset for option in TRAIN_OPTIONS}
    given |= {"workers": os.cpu_count() or 1, **_values(wanted, TRAIN_OPTIONS)}
    from audiodiag.classifier.train import train_command

    return train_command(argparse.Namespace(**given))


def _questions() -> int:
    """Print what can be asked of a person at the car, one question and its answers each."""
    from audiodiag.causes import load_knowledge

    for observation in load_knowledge().observations:
        print(f"{observation.name}: {observation.question}")
        for answer in observation.answers:
            print(f"    --saw {observation.name}={answer.name}  ({answer.text})")
    return 0


def _values(wanted: argparse.Namespace, options: Iterable[Option]) -> dict[str, Any]:
    """Turn the texts that were typed into values; what was not said is left out."""
    return {
        option.field: option.value_of(text)
        for option in options
        if option.kind != "flag"
        and not option.repeats
        and (text := getattr(wanted, option.field)) is not None
    }


def _rows(clips: list[str], request: Request) -> Generator[Row, None, None]:
    """Give the rows, with progress where a person watches."""
    with _progress_line(quiet=request.quiet) as tell:
        if len(clips) == 1:
            row = row_of(clips[0], request, lambda step, done: tell(f"{step} {100 * done:.0f} %"))
            tell("")
            yield row
            return
        tell(f"0 of {len(clips)} clips done")
        with closing(rows_in_order(clips, request)) as rows:
            for done, row in enumerate(rows, 1):
                tell("")
                yield row
                if done < len(clips):
                    tell(f"{done} of {len(clips)} clips done")


@contextmanager
def _progress_line(*, quiet: bool) -> Iterator[Callable[[str], None]]:
    """Give a function that rewrites one line on the terminal; it does nothing in pipes."""
    if quiet or not sys.stderr.isatty():
        yield lambda _text: None
        return

    def tell(text: str) -> None:
        sys.stderr.write(f"\r\x1b[K{text}")
        sys.stderr.flush()

    try:
        yield tell
    finally:
        tell("")


def _refuse_contradictions(clips: list[str], given: dict[str, Any]) -> None:
    """Refuse options that do not fit together, in words."""
    flags = {option.field: option.flag for option in ANALYSE_OPTIONS}
    if not clips:
        raise UsageError(
            "no clip is named",
            got="no file",
            allowed="one or more recordings",
            todo="audiodiag analyse my_clip.m4a",
        )
    speeds = [flags[name] for name in _SPEEDS if name in given]
    if len(speeds) > 1:
        raise UsageError(
            "the engine speed is stated twice",
            got=" and ".join(speeds),
            allowed=f"one of {', '.join(flags[name] for name in _SPEEDS)}",
            todo="keep the one you trust most",
        )
    if "pulses_per_rev" in given and not {"tach_channel", "tach_file"} & given.keys():
        raise UsageError(
            "--pulses-per-rev says how to read pulses, but no pulses are given",
            got="--pulses-per-rev alone",
            allowed="--pulses-per-rev with --tach-channel or --tach-file",
            todo="name the pulse channel or the pulse recording, or leave --pulses-per-rev away",
        )
    if "tach_channel" in given and given["tach_channel"] == given.get("channel"):
        raise UsageError(
            "one channel cannot be both the sound and the pulses",
            got=f"--channel and --tach-channel {given['channel']}",
            allowed="two different channels",
            todo="state which channel carries the engine's sound",
        )
    if {"steering_marks", "steering_table"} <= given.keys():
        raise UsageError(
            "the steering is stated twice",
            got="--steering and --steering-table",
            allowed="one of the two",
            todo="keep the one you trust most",
        )
    single = [flags[name] for name in _ONE_CLIP_ONLY if name in given]
    if single and len(clips) > 1:
        raise UsageError(
            f"{single[0]} belongs to one clip",
            got=f"{len(clips)} clips",
            allowed=f"one clip with {single[0]}",
            todo="analyse the clips one by one",
        )


def _refuse_odd_tables(given: dict[str, Any]) -> None:
    """Refuse tables that are devices or pipes, from which reading might never end, or far too large."""
    flags = {option.field: option.flag for option in ANALYSE_OPTIONS}
    for name in ("speed_table", "steering_table"):
        table = Path(given.get(name, ""))
        if name not in given or not os.path.exists(table) or table.is_dir():  # noqa: PTH110
            continue
        ordinary = table.is_file()
        if not ordinary or table.stat().st_size > MOST_TABLE_BYTES:
            raise UsageError(
                f"{flags[name]} names no table that can be read",
                got=f"{table}: {table.stat().st_size} bytes" if ordinary else f"{table}: a device or a pipe",
                allowed=f"an ordinary CSV file of at most {MOST_TABLE_BYTES // 10**6} MB",
                todo="save the rows that belong to the clip as a CSV file first",
            )


def _settings(given: dict[str, Any], saw: list[str]) -> dict[str, Any]:
    """Sort the options into what ``analyse`` takes: the car, the observations, the rest by name."""
    car = {
        option.field: given[option.field]
        for option in ANALYSE_OPTIONS
        if option.of_car and option.field in given
    }
    rest = {
        name: value for name, value in given.items() if name not in car and name not in ("vehicle", "out")
    }
    if car or "vehicle" in given:
        from audiodiag.vehicle import Vehicle, read_vehicle, with_options

        stated = read_vehicle(given["vehicle"]) if "vehicle" in given else Vehicle()
        rest["vehicle"] = with_options(stated, **car)
    if saw:
        from audiodiag.causes import load_knowledge, observations_from_text

        rest["observations"] = observations_from_text(saw, load_knowledge())
    return rest


def _folder(clips: list[str], out: str | None) -> str | None:
    """Make the folder for pictures and rows, and refuse clips that would overwrite each other there."""
    if out is None:
        return None
    stems: dict[str, str] = {}
    for clip in clips:
        other = stems.setdefault(Path(clip).stem.casefold(), clip)
        if other is not clip:
            raise UsageError(
                "two clips would be written to one file",
                got=f"{other} and {clip}",
                allowed="clips whose names differ before the ending",
                todo="rename one of them, or write them to different folders",
            )
    try:
        Path(out).mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise UsageError(
            "the folder for --out cannot be made",
            got=f"{out}: {problem.strerror or problem}",
            allowed="a folder, or a new name where a folder may be made",
            todo="name another place",
        ) from problem
    if not os.access(out, os.W_OK | os.X_OK):
        raise UsageError(
            "the folder for --out cannot be written to",
            got=f"{out}: no permission to write",
            allowed="a folder of your own",
            todo="name another place, or change the permission of the folder",
        )
    return out


def _colour_wanted(stream: TextIO) -> bool:
    """Colour only on a terminal, and not where NO_COLOR is set or the terminal is a plain one."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def _let_go_of_output() -> None:
    """Point the output elsewhere after its reader has gone, so that ending the process stays silent."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
