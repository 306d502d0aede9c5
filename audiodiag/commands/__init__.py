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
)


def module_of(name: str) -> ModuleType:
    """Load the module of a command.

    >>> module_of("questions").OPTIONS
    ()
    """
    return importlib.import_module(f"audiodiag.commands.{name}")
