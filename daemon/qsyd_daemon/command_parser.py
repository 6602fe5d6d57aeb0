"""Argument parsing that says of a slip what was probably meant. Standard library only."""

import argparse
import difflib
import re
import sys
from collections.abc import Iterator, Sequence
from typing import Any, NoReturn

_CHOICE = re.compile(r"argument (?P<what>.*?): invalid choice: '(?P<word>.*)' \(choose from (?P<known>.*)\)", re.DOTALL)
_UNKNOWN = "unrecognized arguments: "


class CommandParser(argparse.ArgumentParser):
    """Its commands are parsed by the same class, each with the words that are its own."""

    _words: Sequence[str] = ()

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """As of the base class; keeps the words for `error`."""
        self._words = list(sys.argv[1:] if args is None else args)
        return super().parse_known_args(args, namespace)

    def error(self, message: str) -> NoReturn:
        """End with 2 after the usage and one line that says what is wrong, and what would be right."""
        super().error(self._helped(message))

    def _helped(self, message: str) -> str:
        if message.startswith(_UNKNOWN):
            return message + self._option_hint(message.removeprefix(_UNKNOWN).split())
        found = _CHOICE.fullmatch(message)
        if found is None:
            return message
        what, word = found["what"], found["word"]
        known = re.findall(r"[^',\s]+", found["known"])
        place = list(self._words).index(word) if word in self._words else 0
        option = self._words[place - 1] if place else ""
        if option.startswith("-") and what == self._command_name:
            return f"{option} comes after the {what}: {self.prog} {what} {option} {word}"
        close = difflib.get_close_matches(word.lower(), known, n=1)
        return f"argument {what}: there is no '{word}'; did you mean {close[0]}?" if close else message

    @property
    def _command_name(self) -> str | None:
        return next((str(each.metavar) for each in self._actions if isinstance(each, argparse._SubParsersAction)), None)

    def _option_hint(self, words: list[str]) -> str:
        options = sorted(set(self._options()))
        for word in words:
            name = word.partition("=")[0]
            if not name.startswith("--"):
                continue
            if name in options:
                return f"; {name} comes after the command, and not every command takes it"
            if close := difflib.get_close_matches(name, options, n=1):
                return f"; did you mean {close[0]}?"
        return ""

    def _options(self) -> Iterator[str]:
        """Every option of this parser and of those below it."""
        yield from (option for each in self._actions for option in each.option_strings)
        for each in self._actions:
            if isinstance(each, argparse._SubParsersAction):
                for below in each.choices.values():
                    if isinstance(below, CommandParser):
                        yield from below._options()


def whole(text: str) -> int:
    """A whole number, as an argument has it."""
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is not a whole number") from None


def watts(text: str) -> int:
    """`50`, `50 W` or `1.5 kW` in watts."""
    from qsyd_rules.quantity import QuantityError, power_w  # here: few commands need it

    try:
        return int(text)
    except ValueError:
        pass
    try:
        return power_w(text)
    except QuantityError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
