"""The words by which photos are refused: all are used, and none is missing."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path

import pytest

import colorread
from colorread.errors import refusal

ROOT = Path(colorread.__file__).parent
WORDS = tomllib.loads((ROOT / "refusals.toml").read_text(encoding="utf-8"))


def names_in_code() -> set[str]:
    calls = (
        node
        for path in ROOT.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "refusal"
    )
    names = (part.value for call in calls for part in ast.walk(call.args[0]) if isinstance(part, ast.Constant))
    return {name for name in names if isinstance(name, str)}


def test_every_name_has_its_words_and_is_used() -> None:
    assert names_in_code() == WORDS.keys()


@pytest.mark.parametrize("name", WORDS)
def test_words_are_sentences(name: str) -> None:
    assert WORDS[name].keys() == {"message", "next_step"}
    for words in WORDS[name].values():
        assert words[0].isupper()
        assert words.endswith(".")


def test_words_are_filled_in_and_only_the_code_is_told() -> None:
    reason = refusal("card-hidden/two", name="tag").reason
    assert reason.code == "card-hidden"
    assert reason.message == "Only two of the tag's four corner squares can be used."
