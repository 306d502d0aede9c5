"""The smaller commands: one module each, found by name in one table and loaded only when it is called."""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from types import ModuleType

__all__ = ["COMMANDS", "Command", "Operand", "module_of"]


@dataclass(frozen=True)
class Operand:
    """What a command takes beside options: ``nargs`` as the standard parser counts them ("*", "?", ...)."""

    field: str
    metavar: str
    nargs: str
    help: str


@dataclass(frozen=True)
class Command:
    """One command. Its module, of the same name, holds ``OPTIONS`` and ``run(wanted) -> exit code``.

    All operands are optional to the parser ("*" or "?"), so that ``run`` refuses a missing one in our words.
    """

    name: str
    summary: str
    description: str
    usage: str
    operands: tuple[Operand, ...] = ()


COMMANDS: tuple[Command, ...] = (
    Command(
        "questions",
        "print the questions about the car that --saw answers",
        "Prints the questions about the car, and the answers that --saw takes.",
        "audiodiag questions",
    ),
    Command(
        "advise",
        "ask what tells the causes apart, say what to check next and when to stop looking",
        "Asks what tells most about the causes, shows how each answer moves them, and says what to check "
        "next and when to stop looking.",
        "audiodiag advise [CASE] [options]",
        (
            Operand(
                "case",
                "CASE",
                "?",
                "a recording, or a file with a line of analyse --json; without it no sound",
            ),
        ),
    ),
    Command(
        "explain",
        "print what is known of a cause, a check or a question, or a work sheet",
        "Prints what is known of a cause, a check or a question, or a work sheet; without a name, all names.",
        "audiodiag explain [NAME] [options]",
        (Operand("name", "NAME", "?", "a name of the list that audiodiag explain prints"),),
    ),
    Command(
        "listen",
        "write the parts of a clip as sound: engine, pump, groan, squeal, chirp, the rest",
        "Writes the parts of a clip, each alone, as sound; together they add up to the clip.",
        "audiodiag listen CLIP --out FOLDER [options]",
        (Operand("clip", "CLIP", "?", "recording: m4a, mp4, 3gp, webm, ogg, wav ..."),),
    ),
    Command(
        "speed",
        "print the engine speed of a clip over time, how sure it is, and why",
        "Prints the engine speed of a clip over time, how sure it is, and why.",
        "audiodiag speed CLIP [options]",
        (Operand("clip", "CLIP", "?", "recording: m4a, mp4, 3gp, webm, ogg, wav ..."),),
    ),
    Command(
        "compare",
        "say what has changed between recordings before and after the work",
        "Says what has changed between recordings of one car before and after the work, and how sure "
        "that is.",
        "audiodiag compare BEFORE... --after AFTER... [options]",
        (Operand("before", "BEFORE", "*", "recordings made before the work"),),
    ),
    Command(
        "bleed",
        "say whether the air is out of the steering yet, cycle by cycle",
        "Follows the groan of air through the lock-to-lock cycles of bleeding.",
        "audiodiag bleed CLIP... [options]",
        (Operand("clips", "CLIP", "*", "one long recording, or several in the order they were made"),),
    ),
    Command(
        "trend",
        "say how each sound of a car has gone over date or mileage",
        "Says how each sound of one car has gone over date or mileage, and where it stepped.",
        "audiodiag trend CLIP... --at WHEN... [options]",
        (Operand("clips", "CLIP", "*", "recordings of one car, at least three"),),
    ),
    Command(
        "desk",
        "open a page on this machine for owner, technician and advisor",
        "Opens a page on this machine on which owner, technician and advisor do their work: cases, "
        "recordings, answers, before and after.",
        "audiodiag desk [options]",
    ),
    Command(
        "case",
        "do with the cases of a desk from the shell what its pages do",
        "Does with the cases of a desk what its pages do: list, new, add, show, note, reply, answer, advise, "
        "compare, bleed, trend, pack, link, state, work. A desk may run at the same time.",
        "audiodiag case DEED [KEY] [WORDS...] [options]",
        (
            Operand("deed", "DEED", "?", "list, new, add, show, note, reply, answer, advise, compare ..."),
            Operand("what", "KEY", "*", "key of the case (its first signs do), then what the deed takes"),
        ),
    ),
    Command(
        "report",
        "write one page in one file that says, shows and plays what was found",
        "Writes one self-contained page about a recording, or about recordings before and after the work.",
        "audiodiag report CLIP... --out FILE.html [options]",
        (Operand("clips", "CLIP", "*", "recordings; with --after those made before the work"),),
    ),
    Command(
        "pack",
        "put recordings, diagnosis and report into one file to send, without place and device",
        "Puts recordings, diagnosis and report into one file to send; place and device are taken out.",
        "audiodiag pack CLIP... --out FILE.zip [options]",
        (Operand("clips", "CLIP", "*", "recording: m4a, mp4, 3gp, webm, ogg, wav ..."),),
    ),
    Command(
        "unpack",
        "check such a file and unpack it, or say in words why not",
        "Checks a parcel to the byte and unpacks it; refuses what is damaged or hostile.",
        "audiodiag unpack FILE.zip --out FOLDER",
        (Operand("parcel", "FILE.zip", "?", "a parcel that audiodiag pack made"),),
    ),
)


def module_of(name: str) -> ModuleType:
    """Load the module of a command.

    >>> module_of("questions").OPTIONS
    ()
    """
    return importlib.import_module(f"audiodiag.commands.{name}")
