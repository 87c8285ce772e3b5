"""Which names a schema may use: the pattern, and the words that a target language keeps for itself.

A name written here becomes a variable, a struct member, a column and a file name, so one rule holds for all of them.
"""

from __future__ import annotations

import re

NAME = re.compile(r"[a-z][a-z0-9_]{0,39}\Z")
REFERENCE = re.compile(
    r"[a-z][a-z0-9_]{0,39}(\.[a-z][a-z0-9_]{0,39})*\Z"
)  # a field's name, dots leading into groups
MISSION_NAME = re.compile(r"[a-z][a-z0-9_-]{0,39}\Z")

# Sources: ISO/IEC 9899:2011 6.4.1, ISO/IEC 14882:2020 5.11, ECMA-262 edition 5.1 7.6.1, The Python Language Reference 3.13, 2.3.1.
# Only words that the pattern above would let through are listed.
_C = """auto break case char const continue default do double else enum extern float for goto if inline int long register restrict
return short signed sizeof static struct switch typedef union unsigned void volatile while"""
_CPP = """alignas alignof and and_eq asm bitand bitor bool catch char8_t char16_t char32_t class co_await co_return co_yield compl concept
const_cast consteval constexpr constinit decltype delete dynamic_cast explicit export false friend mutable namespace new noexcept not
not_eq nullptr operator or or_eq private protected public reinterpret_cast requires static_assert static_cast template this
thread_local throw true try typeid typename using virtual wchar_t xor xor_eq"""
_JAVASCRIPT = """break case catch class const continue debugger default delete do else enum export extends false finally for function if
implements import in instanceof interface let new null package private protected public return static super switch this throw true try
typeof var void while with yield await arguments eval undefined"""
_PYTHON = """and as assert async await break class continue def del elif else except finally for from global if import in is lambda
nonlocal not or pass raise return try while with yield"""

RESERVED: dict[str, frozenset[str]] = {
    "C": frozenset(_C.split()),
    "C++": frozenset(_CPP.split()),
    "JavaScript": frozenset(_JAVASCRIPT.split()),
    "Python": frozenset(_PYTHON.split()),
}


def reserved_in(name: str) -> tuple[str, ...]:
    """The target languages in which `name` is a reserved word; empty where it is free."""
    return tuple(language for language, words in RESERVED.items() if name in words)
