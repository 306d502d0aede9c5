"""The command: read what is wanted, call, print.

Exit codes: 0 a diagnosis, 1 a fault of the program, 2 bad input, 3 no diagnosis could be given (cannot tell,
or not an engine bay), 130 stopped from the keyboard.

Only the standard library and light modules are loaded here, so that ``audiodiag --help`` answers at once.
"""

from __future__ import annotations

import argparse
import difflib
import os
import re
import shutil
import sys
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any, NoReturn, TextIO

from audiodiag import __version__
from audiodiag.commands import COMMANDS, Command, module_of
from audiodiag.commands.inputs import (
    folder_for,
    refuse_contradictions,
    refuse_odd_tables,
    settings_of,
    values_of,
)
from audiodiag.errors import AudiodiagError, UsageError
from audiodiag.options import ANALYSE_OPTIONS, TRAIN_OPTIONS, Option
from audiodiag.rows import BAD_INPUT, CANNOT_TELL, FAULT, Request, Row, row_of, rows_in_order

__all__ = ["main"]

STOPPED, NOBODY_READS = 130, 141
WIDEST = 100
_ABOUT = (
    "Listens to a phone clip of the engine bay and says what is likely wrong with hydraulic power steering."
)
_ENDING = (
    "exit codes: 0 diagnosis, 1 fault of the program, 2 bad input, 3 cannot tell. "
    "Take care near a running engine."
)
_NEGATIVE = re.compile(r"-\.?\d")
_NOTHING_BEHIND = re.compile(r"argument (?P<flag>--[a-z0-9-]+): expected (?P<how>one|at least one) argument")
_OPTIONS = {"analyse": ANALYSE_OPTIONS, "train": TRAIN_OPTIONS}


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
    names = [command.name for command in COMMANDS]
    parser = _parser(next((word for word in argv if word in names), None))
    if not argv:
        parser.print_help(sys.stderr)
        return BAD_INPUT
    _refuse_unknown_command(argv)
    wanted, unknown = parser.parse_known_args(argv)
    if unknown:
        raise _unknown_option(unknown[0], wanted.command)
    if wanted.command == "analyse":
        return _analyse(wanted, analyse)
    if wanted.command == "train":
        return _train(wanted)
    if wanted.command in (command.name for command in COMMANDS):
        return int(module_of(wanted.command).run(wanted))
    print(f"audiodiag {__version__}")
    return 0


def _refuse_unknown_command(argv: list[str]) -> None:
    """Refuse a first word that is no command, naming those that there are."""
    known = _known_commands()
    word = argv[0]
    if word.startswith("-") or word in known:
        return
    near = difflib.get_close_matches(word, known, n=1)
    raise UsageError(
        "the command cannot be understood",
        got=word or '""',
        allowed=", ".join(known),
        todo=f"did you mean {near[0]}?" if near else "see audiodiag --help",
    )


def _known_commands() -> list[str]:
    return ["analyse", "train", *(command.name for command in COMMANDS), "version"]


def _flags_of(command: str) -> list[str]:
    """Give the flags of a command, empty for one that takes none."""
    options = _OPTIONS.get(command)
    if options is None:
        options = module_of(command).OPTIONS if command in (c.name for c in COMMANDS) else ()
    return [option.flag for option in options]


def _unknown_option(got: str, command: str) -> UsageError:
    known = _flags_of(command)
    names = [flag.lstrip("-") for flag in known]  # without dashes, which make all options alike
    near = difflib.get_close_matches(got.partition("=")[0].lstrip("-"), names, n=1)
    todo = f"did you mean --{near[0]}?" if near else f"see audiodiag {command} --help"
    if not got.startswith("-"):
        return _one_too_many(got, command)
    if os.path.exists(got):  # noqa: PTH110, gives no error for odd names
        todo = f"for a clip whose name begins with a dash, write ./{got}"
    elif owners := [each for each in _known_commands() if got.partition("=")[0] in _flags_of(each)]:
        where = f"use it where it belongs: {', '.join(f'audiodiag {owner}' for owner in owners)}"
        word = got.partition("=")[0].lstrip("-")
        alike = bool(near) and (word in near[0] or near[0] in word)
        todo = f"{todo.rstrip('?')}, or {where}" if alike else where
    return UsageError(
        "there is no such option",
        got=got,
        allowed=", ".join(known) or "no option",
        todo=todo,
    )


def _one_too_many(got: str, command: str) -> UsageError:
    known = next((each for each in COMMANDS if each.name == command), None)
    takes_one = known is not None and bool(known.operands)
    return UsageError(
        f"{command} takes one thing at a time" if takes_one else f"{command} takes options only",
        got=f"{got} as well",
        allowed=f"audiodiag {command} [options]" if known is None else known.usage,
        todo="call it once for each, and put a name with spaces in quotation marks"
        if takes_one
        else f"leave it out; see audiodiag {command} --help",
    )


class _Parser(argparse.ArgumentParser):
    """A parser whose complaints have the form of all our errors.

    A dash with a digit behind begins a value, also where a unit follows (-5km), and no option.
    """

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        self._negative_number_matcher = _NEGATIVE

    def error(self, message: str) -> NoReturn:
        bare = _NOTHING_BEHIND.match(message)
        if bare:
            flag, many = bare["flag"], bare["how"] == "at least one"
            option = self._option_string_actions[flag]
            raise UsageError(
                f"{flag} needs {'one value or more' if many else 'a value'} behind it",
                got=f"{flag} with nothing behind it",
                allowed=f"{flag} {option.metavar}{'...' * many}: {(option.help or '').replace('%%', '%')}",
                todo=f"write {'them' if many else 'it'} there; see {self.prog} --help",
            )
        raise UsageError(
            "the command cannot be understood",
            got=message,
            allowed=" ".join(self.format_usage().split()).removeprefix("usage: "),
            todo=f"see {self.prog} --help",
        )


def _parser(called: str | None) -> _Parser:
    """Build the parser; of the smaller commands only the one that is called is loaded with its options."""
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
    train = commands.add_parser(
        "train",
        help="train the model anew on simulated clips and on labelled ones of your own",
        description="Trains the model anew; clips of one's own need a label file beside each.",
        usage="audiodiag train [options]",
        allow_abbrev=False,
    )
    _add_options(train, TRAIN_OPTIONS)
    for command in COMMANDS:
        _add_command(commands, command, called=command.name == called)
    commands.add_parser("version", help="print the version", description="Prints the version.")
    return parser


def _add_command(commands: Any, command: Command, *, called: bool) -> None:
    parser = commands.add_parser(
        command.name,
        help=command.summary,
        description=command.description,
        usage=command.usage,
        epilog=_ENDING,
        allow_abbrev=False,
    )
    for operand in command.operands:
        parser.add_argument(operand.field, nargs=operand.nargs, metavar=operand.metavar, help=operand.help)
    if called:
        _add_options(parser, module_of(command.name).OPTIONS)


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
            action = "append" if option.repeats else "extend" if option.many else "store"
            groups[option.group].add_argument(
                option.flag,
                dest=option.field,
                metavar=option.metavar,
                action=action,
                nargs="+" if option.many else None,
                help=say,
            )


def _analyse(wanted: argparse.Namespace, analyse: Callable[..., Any] | None) -> int:
    clips: list[str] = wanted.clips
    given = values_of(wanted, ANALYSE_OPTIONS)
    refuse_contradictions(clips, given)
    refuse_odd_tables(given)
    settings = settings_of(given, wanted.saw or [])
    request = Request(
        json=wanted.json,
        quiet=wanted.quiet,
        out=folder_for(clips, wanted.out),
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
    given |= {each.field: getattr(wanted, each.field) for each in TRAIN_OPTIONS if each.kind == "flag"}
    given |= {"workers": os.cpu_count() or 1, **values_of(wanted, TRAIN_OPTIONS)}
    from audiodiag.classifier.train import train_command

    return train_command(argparse.Namespace(**given))


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


def _colour_wanted(stream: TextIO) -> bool:
    """Colour only on a terminal, and not where NO_COLOR is set or the terminal is a plain one."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def _let_go_of_output() -> None:
    """Point the output elsewhere after its reader has gone, so that ending the process stays silent."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
