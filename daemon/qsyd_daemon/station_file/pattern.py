"""Regular expressions from a station file: bounded in length, and without what takes exponential time to fail.

A group that may repeat without bound and itself holds a repetition or a choice can be matched in exponentially many
ways; such nested repetition is refused. Common practice, no source.
"""

import re
import warnings

LENGTH_MAX = 200
_REPEAT = re.compile(r"[*+]|\{(?:[0-9]+,?[0-9]*|,[0-9]*)\}")
_TIMES_MAX = 1000


class PatternError(ValueError):
    """A regular expression that is not taken: `text` says why, `hint` what would do."""

    def __init__(self, text: str, hint: str) -> None:
        super().__init__(f"{text}; {hint}")
        self.text = text
        self.hint = hint


def checked(text: str) -> re.Pattern[str]:
    """Compile a regular expression. Raises PatternError."""
    if len(text) > LENGTH_MAX:
        raise PatternError(f"the expression has {len(text)} characters", f"use at most {LENGTH_MAX}")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            pattern = re.compile(text)
    except (re.error, OverflowError, RecursionError, Warning) as error:
        raise PatternError(
            f"not a regular expression: {error}", "put a backslash before characters meant as such, such as \\( or \\["
        ) from error
    _refuse_nested(text)
    return pattern


def _refuse_nested(text: str) -> None:
    """Walk the groups of an expression that compiles, and refuse repeated ones that hold repetitions or choices."""
    holds_ways = [False]  # for each open group, outermost first: can it be matched in several ways?
    at = 0
    while at < len(text):
        character = text[at]
        closed_ways = False
        if character == "\\":
            at += 2
        elif character == "[":
            at = _class_end(text, at)
        elif character == "(":
            holds_ways.append(False)
            at += 1
            if text.startswith("?", at):  # `(?:`, `(?P<name>` and the like: the sign is no repetition
                at += 1
            continue
        elif character == ")":
            closed_ways = holds_ways.pop()
            holds_ways[-1] = holds_ways[-1] or closed_ways
            at += 1
        else:
            holds_ways[-1] = holds_ways[-1] or character == "|"
            at += 1
        repeat = _REPEAT.match(text, at)
        if repeat is None:
            continue
        many = re.findall(r"[0-9]+", repeat[0])
        if any(int(times) > _TIMES_MAX for times in many):
            raise PatternError(f"`{repeat[0]}` repeats too often", f"use at most {_TIMES_MAX}")
        if closed_ways and repeat[0] not in ("{0}", "{1}", "{0,1}"):
            raise PatternError(
                f"nested repetition: a group that holds repetitions or choices is repeated by `{repeat[0]}`",
                "repeat single characters or classes only, such as [0-9]+",
            )
        if not re.fullmatch(r"\{[0-9]+\}", repeat[0]):  # an exact count matches in one way only
            holds_ways[-1] = True
        at = repeat.end()


def _class_end(text: str, at: int) -> int:
    """Just behind a character class that begins at `at`."""
    at += 1
    if text.startswith("^", at):
        at += 1
    if text.startswith("]", at):  # first in the class, it is a member
        at += 1
    while at < len(text) and text[at] != "]":
        at += 2 if text[at] == "\\" else 1
    return at + 1
