"""The project's own rules: style, types, layers, start-up and packaging, checked by the tools that know them."""

from __future__ import annotations

import ast
import importlib.metadata
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import colorread

ROOT = Path(__file__).resolve().parent.parent


@pytest.mark.parametrize(
    "command",
    [
        ("-m", "ruff", "check", "."),
        ("-m", "ruff", "format", "--check", "."),
        ("-m", "mypy"),
        ("-c", "from importlinter.cli import lint_imports_command; lint_imports_command()"),
    ],
    ids=["ruff check", "ruff format", "mypy", "import-linter"],
)
def test_tool_is_content(command: tuple[str, ...]) -> None:
    result = subprocess.run([sys.executable, *command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stdout + result.stderr


def test_version_is_that_of_the_package() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert colorread.__version__ == project["version"] == importlib.metadata.version("colorread")


def test_readme_holds_the_commands_that_ci_runs() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    test_command = ci.strip().splitlines()[-1]
    assert test_command in readme
    assert "colorread read sample_images/front-green.jpg" in readme


def test_no_module_or_function_has_grown_out_of_hand() -> None:
    lines: dict[str, int] = {}
    for path in (path for package in ("colorread", "calibration") for path in (ROOT / package).rglob("*.py")):
        source = path.read_text(encoding="utf-8")
        tree = ast.parse(source)
        of_code = lines_of_code(source, tree)
        lines[f"{path.relative_to(ROOT)}"] = len(of_code)
        for node in ast.walk(tree):
            if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
                body = of_code & set(range(node.lineno, node.end_lineno + 1))
                lines[f"{path.relative_to(ROOT)}:{node.name}"] = len(body)
    too_long = {name: count for name, count in lines.items() if count > (60 if ":" in name else 320)}
    assert not too_long


def lines_of_code(source: str, tree: ast.Module) -> set[int]:
    """Numbers of the lines of a module that are no blank lines, comments or docstrings."""
    told: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)):
            for child in node.body:
                if isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant):
                    told.update(range(child.lineno, child.end_lineno + 1))
    lines = enumerate(source.splitlines(), 1)
    return {number for number, line in lines if line.strip() and not line.lstrip().startswith("#")} - told
