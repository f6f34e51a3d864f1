"""The words by which photos are refused: all are used, and none is missing."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path

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


def test_each_refusal_names_what_was_seen_and_what_to_do_in_sentences() -> None:
    for name, words in WORDS.items():
        assert words.keys() == {"message", "next_step"}, name
        assert all(text[0].isupper() and text.endswith(".") for text in words.values()), name


def test_words_are_filled_in_and_only_the_code_is_told() -> None:
    reason = refusal("card-hidden/two", name="tag").reason
    assert reason.code == "card-hidden"
    assert "tag" in reason.message
    assert "{" not in reason.message
