"""The arithmetic of derived values: what a text means, and the number that comes of it (WIRE.md 7).

School arithmetic and nothing else: numbers, names of fields, + - * /, a minus sign, parentheses, min, max, abs and sqrt. A text is
parsed once into a tree of bounded size and depth; the tree becomes one Python function over doubles, evaluated left to right.
What would surprise a reader: each step must be finite, not only the last one, so that an overflow cannot hide behind a division.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from math import sqrt

# A line and a half of a schema; a longer sum is better said in two derived values.
MAXIMUM_CHARACTERS = 200
# Parentheses, signs and functions inside one another: more than a person reads.
MAXIMUM_DEPTH = 16

# How many arguments a function takes: the least, and the most.
FUNCTIONS: dict[str, tuple[int, int]] = {"min": (2, 8), "max": (2, 8), "abs": (1, 1), "sqrt": (1, 1)}

_WORD = re.compile(
    r"(?P<number>(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?)"
    r"|(?P<name>[a-z][a-z0-9_]{0,39}(?:\.[a-z][a-z0-9_]{0,39})*)"
    r"|(?P<sign>[-+*/(),])"
)
_BLANK = " \t\n"


@dataclass(frozen=True, slots=True)
class Number:
    """A number as written, as the nearest double."""

    value: float


@dataclass(frozen=True, slots=True)
class Name:
    """A field."""

    name: str


@dataclass(frozen=True, slots=True)
class Minus:
    """A minus sign in front of something."""

    of: Expression


@dataclass(frozen=True, slots=True)
class Operation:
    """Two things with + - * or / between them."""

    sign: str
    left: Expression
    right: Expression


@dataclass(frozen=True, slots=True)
class Call:
    """min, max, abs or sqrt of something."""

    function: str
    arguments: tuple[Expression, ...]


Expression = Number | Name | Minus | Operation | Call


class Fault(Exception):
    """What is wrong with a text: at is the character, counted from 1; rule is expression-shape or expression-limit."""

    def __init__(self, summary: str, remedy: str, at: int, rule: str = "expression-shape") -> None:
        self.summary, self.remedy, self.at, self.rule = summary, remedy, at, rule
        super().__init__(summary)


_FORM = "Write names, numbers, + - * / and parentheses, min(a, b), max(a, b), abs(a), sqrt(a)."


def parse(text: str) -> Expression:
    """Return the tree of a text. Raises Fault."""
    if len(text) > MAXIMUM_CHARACTERS:
        summary = f"it has {len(text):,} characters, and {MAXIMUM_CHARACTERS} is the most"
        raise Fault(summary, "Say a part of it in a derived value of its own.", 1, "expression-limit")
    return _Parser(text).whole()


def names(tree: Expression) -> tuple[str, ...]:
    """Return the fields of a tree, each once, in the order in which they are written."""
    return tuple(dict.fromkeys(_names(tree)))


def _names(tree: Expression) -> Iterator[str]:
    if isinstance(tree, Name):
        yield tree.name
    elif isinstance(tree, Minus):
        yield from _names(tree.of)
    elif isinstance(tree, Operation):
        yield from _names(tree.left)
        yield from _names(tree.right)
    elif isinstance(tree, Call):
        for argument in tree.arguments:
            yield from _names(argument)


class _Parser:
    """One text being read, a word ahead."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.kind, self.word, self.start = "", "", 0
        self.depth = 0
        self.advance()

    def advance(self) -> None:
        """Read the next word: its kind is number, name, sign or end."""
        while self.at < len(self.text) and self.text[self.at] in _BLANK:
            self.at += 1
        self.start = self.at
        if self.at == len(self.text):
            self.kind = self.word = "end"
            return
        found = _WORD.match(self.text, self.at)
        if found is None:
            what = self.text[self.at]
            shown = what if what.isprintable() else f"U+{ord(what):04X}"
            raise Fault(f"{shown} at character {self.at + 1} is no part of arithmetic", _FORM, self.at + 1)
        self.kind, self.word, self.at = str(found.lastgroup), found[0], found.end()

    def whole(self) -> Expression:
        tree = self.sum()
        if self.kind != "end":
            self.unexpected("an operator" if self.word != ")" else "nothing more")
        return tree

    def unexpected(self, wanted: str) -> None:
        """Say what stands where something else is needed."""
        found = "it ends" if self.kind == "end" else f"{self.word} stands at character {self.start + 1}"
        raise Fault(f"{found} where {wanted} is expected", _FORM, self.start + 1)

    def deeper(self) -> None:
        self.depth += 1
        if self.depth > MAXIMUM_DEPTH:
            summary = f"it is nested more than {MAXIMUM_DEPTH} deep"
            remedy = "Say a part of it in a derived value of its own."
            raise Fault(summary, remedy, self.start + 1, "expression-limit")

    def sum(self) -> Expression:
        tree = self.product()
        while self.word in ("+", "-"):
            sign = self.word
            self.advance()
            tree = Operation(sign, tree, self.product())
        return tree

    def product(self) -> Expression:
        tree = self.factor()
        while self.word in ("*", "/"):
            sign = self.word
            self.advance()
            tree = Operation(sign, tree, self.factor())
        return tree

    def factor(self) -> Expression:
        kind, word = self.kind, self.word
        if kind == "number":
            self.advance()
            return Number(self.number(word))
        if kind == "name":
            self.advance()
            return self.call(word) if self.word == "(" else Name(word)
        if word not in ("-", "("):
            self.unexpected("a name, a number or a parenthesis")
        self.deeper()
        self.advance()
        tree: Expression
        if word == "-":
            tree = Minus(self.factor())
        else:
            tree = self.sum()
            self.close()
        self.depth -= 1
        return tree

    def number(self, word: str) -> float:
        value = float(word)
        if value == float("inf"):
            raise Fault(
                f"{word} is beyond every double-precision number", "Write a smaller one.", self.start + 1
            )
        return value

    def close(self) -> None:
        if self.word != ")":
            self.unexpected("a closing parenthesis")
        self.advance()

    def call(self, function: str) -> Expression:
        at = self.start
        if function not in FUNCTIONS:
            raise Fault(f"there is no function {function}", f"One of: {', '.join(FUNCTIONS)}.", at + 1)
        self.deeper()
        self.advance()
        arguments = [self.sum()]
        while self.word == ",":
            self.advance()
            arguments.append(self.sum())
        self.close()
        self.depth -= 1
        least, most = FUNCTIONS[function]
        if not least <= len(arguments) <= most:
            takes = str(least) if least == most else f"{least} to {most}"
            count = len(arguments)
            what = f"{function} takes {takes} argument{'' if most == 1 else 's'}, not {count}"
            raise Fault(what, _FORM, at + 1)
        return Call(function, tuple(arguments))


# -- its value -----------------------------------------------------------------------------------------------------------


class _NoNumber(ArithmeticError):
    """A step that gives no finite number."""


class _NoRoot(ArithmeticError):
    """A root of a number below zero."""


def _finite(value: float) -> float:
    if value - value != 0.0:  # of an infinity or a NaN only
        raise _NoNumber
    return value


def _root(value: float) -> float:
    if value < 0.0:
        raise _NoRoot
    return sqrt(value)


Evaluate = Callable[[tuple[float, ...]], tuple[float | None, str]]


@lru_cache(1024)
def evaluator(tree: Expression) -> Evaluate:
    """Return the function from doubles, in the order of `names(tree)`, to (value, ""), or (None, the reason why there is none)."""
    places = {name: f"given[{place}]" for place, name in enumerate(names(tree))}
    source = f"lambda given: {_text(tree, places)} + 0.0"  # the zero is +0.0 (WIRE.md 5)
    number: Callable[[tuple[float, ...]], float] = eval(source, {"finite": _finite, "root": _root})

    def value(given: tuple[float, ...]) -> tuple[float | None, str]:
        try:
            return number(given), ""
        except ZeroDivisionError:
            return None, "division by zero"
        except _NoNumber:
            return None, "not finite"
        except _NoRoot:
            return None, "root of a negative number"

    return value


def _text(tree: Expression, places: dict[str, str]) -> str:
    """A tree as Python, whose order of evaluation and doubles are those of the specification."""
    if isinstance(tree, Number):
        return repr(tree.value)
    if isinstance(tree, Name):
        return places[tree.name]
    if isinstance(tree, Minus):
        return f"(-{_text(tree.of, places)})"
    if isinstance(tree, Operation):
        return f"finite({_text(tree.left, places)} {tree.sign} {_text(tree.right, places)})"
    function = "root" if tree.function == "sqrt" else tree.function
    return f"{function}({', '.join(_text(one, places) for one in tree.arguments)})"
