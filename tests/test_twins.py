"""Every public function of the kernels has a twin, or a benchmark of its own, or runs within one that has."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
import twins

ROOT = Path(__file__).parents[1]
KERNELS = sorted((ROOT / "searcher" / "kernels").glob("*.py"))


def functions() -> dict[str, ast.FunctionDef]:
    """Functions of the kernels at the top of their modules, as module.name."""
    return {
        f"{path.stem}.{node.name}": node
        for path in KERNELS
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef)
    }


FUNCTIONS = functions()


def is_public(name: str) -> bool:
    return not name.partition(".")[2].startswith("_")


def used_by(name: str) -> set[str]:
    """All functions of the kernels that a function calls, itself or through others."""
    found, open_ = set(), [name]
    while open_:
        module = open_[-1].partition(".")[0]
        words = {node.id for node in ast.walk(FUNCTIONS[open_.pop()]) if isinstance(node, ast.Name)}
        for other in FUNCTIONS:
            home, _, short = other.partition(".")
            # a function of another module is imported by its own name; of its own module it comes first
            own = f"{module}.{short}" in FUNCTIONS
            if short in words and (home == module or not own) and other not in found:
                found.add(other)
                open_.append(other)
    return found


def is_compiled(name: str) -> bool:
    return any(ast.unparse(mark).startswith(("kernel(", "inner(")) for mark in FUNCTIONS[name].decorator_list)


def test_every_public_function_is_accounted_for_once():
    named = [*twins.TWINS, *twins.BENCHED, *twins.PARTS, *twins.PLAIN]
    assert sorted(named) == sorted(filter(is_public, FUNCTIONS))


@pytest.mark.parametrize(("kernel", "bench"), twins.BENCHED.items())
def test_the_benchmark_named_uses_the_kernel(kernel, bench):
    """By the kernel's own name, or through what imports it."""
    text = (ROOT / "tests" / "bench" / f"{bench}.py").read_text(encoding="utf-8")
    module, name = kernel.split(".")
    assert f"searcher.kernels.{module} import" in text
    assert name in text or (kernel == "advect.advect" and "Drift(" in text)


@pytest.mark.parametrize(("part", "kernel"), twins.PARTS.items())
def test_a_part_is_called_by_the_kernel_that_it_is_a_part_of(part, kernel):
    assert kernel in twins.TWINS or kernel in twins.BENCHED
    assert part in used_by(kernel)


@pytest.mark.parametrize("name", sorted(twins.PLAIN))
def test_what_is_plain_runs_nothing_compiled(name):
    assert not any(map(is_compiled, {name, *used_by(name)}))
