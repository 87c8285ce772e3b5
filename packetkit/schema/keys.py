"""What a key of the schema language is: its name, the reader of its value, and a sentence for people.

The loader walks tables of keys; the editor schema and the language reference are rendered from them.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Key:
    """One word of the language. reads names how its value is read (a reader of the loader); choices are the words it may be."""

    name: str
    reads: str
    help: str
    choices: tuple[str, ...] = ()


def table(*keys: Key) -> dict[str, Key]:
    """The keys by name."""
    return {key.name: key for key in keys}
