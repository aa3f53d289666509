"""The shape of the package, read from its source: which module may know which, names, size, docstrings.

The order of the modules is that of the table in docs/architecture.md.

Every rule is a function from a parsed module to the faults it finds; `test_rules_bite` shows each of them a
module that breaks it.
"""

from __future__ import annotations

import ast
import fnmatch
import itertools
import re
import tomllib
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "searcher"

PAGE = "docs/architecture.md"


def rows_of(page: str) -> list[str]:
    """The first column of the page's table of modules, from the top down; a package ends with a slash."""
    lines = iter(page.splitlines())
    if not any(line.startswith("| module |") for line in lines):
        raise ValueError(f"{PAGE} has no table that begins with '| module |'")
    next(lines)  # the rule under the heading
    rows = itertools.takewhile(lambda line: line.startswith("|"), lines)
    return [row.split("|")[1].strip().strip("`") for row in rows]


ROWS = rows_of((ROOT / PAGE).read_text(encoding="utf-8"))
#: a part may import the parts before it, and itself
ORDER = tuple(row.rstrip("/") for row in ROWS)
#: parts that may import only these
ONLY = {
    "kernels": {"kernels", "threads"},
    "builtin": {"builtin", "errors", "files", "units", "geo", "tables", "sea"},
    "sources": set(ORDER) - {"trip", "builtin"},
    "trip": set(ORDER) - {"sources"},
}
#: what kernels may import from outside
KERNEL_IMPORTS = {"__future__", "llvmlite", "math", "numba", "numpy", "operator", "typing"}
TRADE_NAME = re.compile(r"_(kn|nm|ft|f|gal|h)$")
TRADE_PARTS = {"trip", "units", "brief", "cli"}
LONGEST_FUNCTION = 60
TOP_LEVEL = {
    ".ci",
    ".git",
    ".gitattributes",
    ".github",
    ".gitignore",
    "CHANGELOG.md",
    "CITATION.cff",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "docs",
    "fixtures",
    "notebooks",
    "pyproject.toml",
    "searcher",
    "tests",
}

Function = ast.FunctionDef | ast.AsyncFunctionDef
SOURCES = sorted(path for path in PACKAGE.rglob("*.py") if path.name != "__main__.py")
TESTS = sorted((ROOT / "tests").rglob("*.py"))


def name_of(path: Path) -> str:
    """Dotted name of a source file, as searcher.trip.model; a package's own file has the package's name."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def part_of(name: str) -> str:
    """The part a dotted name belongs to; "" for the package itself."""
    return [*name.split("."), ""][1]


NAMES = {name_of(path) for path in SOURCES}


def imports_of(name: str, tree: ast.Module, known: set[str]) -> set[str]:
    """Dotted names of everything imported anywhere in a module, lazy imports included."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            module = node.module or ""
            if node.level:
                is_package = any(other.startswith(f"{name}.") for other in known)
                above = name.split(".")[: len(name.split(".")) - node.level + is_package]
                module = ".".join([*above, module]).rstrip(".")
            for alias in node.names:
                longer = f"{module}.{alias.name}"
                is_part = module == "searcher" and alias.name in ORDER
                found.add(longer if longer in known or is_part else module)
    return found


def ours(names: set[str]) -> set[str]:
    """Those of some dotted names that belong to the package."""
    return {name for name in names if name.split(".")[0] == "searcher"}


def order_faults(name: str, tree: ast.Module) -> list[str]:
    """Imports against the order, or past what the part may know."""
    part = part_of(name)
    if part == "":
        return []
    imports = sorted(ours(imports_of(name, tree, NAMES)))
    if part not in ORDER:
        return [missing_row(part, {part_of(other) for other in imports})]
    faults = (order_fault(name, other) for other in imports)
    return [fault for fault in faults if fault]


def missing_row(part: str, imported: set[str]) -> str:
    """What to do about a part that the table of modules leaves out."""
    above = [other for other in ORDER if other in imported]
    place = f"below the row of `{above[-1]}`" if above else "at the top"
    return (
        f"searcher.{part} is not in the table of modules of {PAGE}: add a row '| `{part}` | what it does |' "
        f"(with a slash, `{part}/`, for a package) {place} and above the rows of all that import it"
    )


def order_fault(name: str, other: str) -> str:
    """What is wrong with an import, and what to do; "" where it is allowed."""
    part, wanted = part_of(name), part_of(other)
    said = f"{name} imports {other}"
    if wanted and wanted not in ORDER:
        return f"{said}, which is not in the table of modules of {PAGE}: add its row above that of `{part}`"
    if wanted not in ONLY.get(part, {*ORDER}):
        return f"{said}: `{part}` may not know `{wanted or 'searcher'}` (ONLY in tests/test_architecture.py)"
    if ORDER.index(wanted) > ORDER.index(part):
        return (
            f"{said}, whose row stands below that of `{part}` in {PAGE}: move the row of `{wanted}` up, if "
            f"all that it imports stays above it; else put what both need into a module above both"
        )
    return ""


def row_faults(rows: list[str], modules: set[str]) -> list[str]:
    """Rows of the table of modules that no module answers to, that stand twice, or whose slash is wrong."""
    gone = [f"{PAGE}: no module is called `{row}`: take its row out" for row in rows if row not in modules]
    twice = {row for row in rows if rows.count(row) > 1}
    return gone + [f"{PAGE}: `{row}` has more than one row: keep one" for row in sorted(twice)]


def kernel_faults(name: str, tree: ast.Module) -> list[str]:
    """Imports of a kernel from outside other than numpy, numba and math."""
    if part_of(name) != "kernels":
        return []
    roots = {other.split(".")[0] for other in imports_of(name, tree, NAMES)}
    return [f"{name} imports {root}" for root in sorted(roots - KERNEL_IMPORTS - {"searcher"})]


def decorated(node: ast.AST, names: set[str]) -> bool:
    """Whether a function is decorated by a call of one of these names."""
    marks = node.decorator_list if isinstance(node, Function) else []
    return any(isinstance(mark, ast.Call) and ast.unparse(mark.func) in names for mark in marks)


INNER = {
    f"{name_of(path)}.{node.name}"
    for path in SOURCES
    for node in ast.parse(path.read_text()).body
    if decorated(node, {"inner"})
}


def entry_faults(name: str, tree: ast.Module) -> list[str]:
    """Calls, by what is not compiled, of kernels that only kernels can call: the process would end."""
    known = {full.rsplit(".", 1)[1]: full for full in INNER if full.startswith(f"{name}.")}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            known |= {one.asname or one.name: f"{node.module}.{one.name}" for one in node.names}
    faults, rest = [], [*tree.body]
    while rest:
        node = rest.pop()
        if isinstance(node, ast.Call):
            first, *others = ast.unparse(node.func).split(".")
            if ".".join([known.get(first, first), *others]) in INNER:
                faults.append(f"{name} line {node.lineno} calls {ast.unparse(node.func)}")
        if not decorated(node, {"inner", "kernel", "njit"}):
            rest += ast.iter_child_nodes(node)
    return faults


def trade_faults(name: str, tree: ast.Module) -> list[str]:
    """Names with the suffix of a trade unit where only inside units may stand."""
    if part_of(name) in TRADE_PARTS:
        return []
    words = set()
    for node in ast.walk(tree):
        for field in ("id", "arg", "attr", "name", "asname"):
            word = getattr(node, field, None)
            if isinstance(word, str) and TRADE_NAME.search(word):
                words.add(f"{name} line {getattr(node, 'lineno', '?')}: {word}")
    return sorted(words)


def docstring_faults(name: str, tree: ast.Module) -> list[str]:
    """The module and its public functions and classes without a docstring; an overload needs none."""
    faults = [] if ast.get_docstring(tree) else [f"{name} has no docstring"]
    for node in tree.body:
        is_public = isinstance(node, Function | ast.ClassDef) and not node.name.startswith("_")
        if is_public and not ast.get_docstring(node) and not is_overload(node):
            faults.append(f"{name}.{node.name} has no docstring")
    return faults


def is_overload(node: Function | ast.ClassDef) -> bool:
    """Whether a definition only says the types of one way to call a function."""
    return any(ast.unparse(decorator) == "overload" for decorator in node.decorator_list)


def float_faults(name: str, tree: ast.Module) -> list[str]:
    """Public functions that take four or more bare positional floats."""
    faults = []
    for node in ast.walk(tree):
        if isinstance(node, Function) and not node.name.startswith("_"):
            arguments = [*node.args.posonlyargs, *node.args.args]
            floats = [a.arg for a in arguments if a.annotation and ast.unparse(a.annotation) == "float"]
            if len(floats) >= 4:
                faults.append(f"{name}.{node.name} takes floats by position: {floats}")
    return faults


def length_faults(name: str, tree: ast.Module) -> list[str]:
    """Functions outside the kernels of more than 60 lines of code (docstring and comments not counted)."""
    if part_of(name) == "kernels":
        return []
    faults = []
    for node in ast.walk(tree):
        if isinstance(node, Function):
            length = code_lines(node)
            if length > LONGEST_FUNCTION:
                faults.append(f"{name}.{node.name} has {length} lines of code")
    return faults


def code_lines(node: Function) -> int:
    """Lines of code of a function: those that still stand when its docstring and comments are taken out."""
    body = node.body[1:] if ast.get_docstring(node) else node.body
    if not body:
        return 0
    lines = {line for child in ast.walk(ast.Module(body, [])) for line in _lines_of(child)}
    return len(lines) + 1


def _lines_of(node: ast.AST) -> range:
    return range(node.lineno, node.end_lineno + 1) if isinstance(node, ast.stmt | ast.expr) else range(0)


def print_faults(name: str, tree: ast.Module) -> list[str]:
    """Calls of print outside the command line."""
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    printed = [node for node in calls if isinstance(node.func, ast.Name) and node.func.id == "print"]
    return [] if part_of(name) == "cli" else [f"{name} line {node.lineno} prints" for node in printed]


def raises_faults(name: str, tree: ast.Module) -> list[str]:
    """`pytest.raises` and `pytest.warns` without `match`."""
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    return [
        f"{name} line {node.lineno}: {ast.unparse(node.func)} without match"
        for node in calls
        if ast.unparse(node.func) in ("pytest.raises", "pytest.warns")
        and not any(keyword.arg == "match" for keyword in node.keywords)
    ]


RULES = (
    order_faults,
    kernel_faults,
    entry_faults,
    trade_faults,
    docstring_faults,
    float_faults,
    length_faults,
    print_faults,
)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.__name__)
def test_package_keeps_rule(rule):
    faults = [fault for path in SOURCES for fault in rule(name_of(path), ast.parse(path.read_text()))]
    assert not faults, "\n".join(faults)


@pytest.mark.parametrize("rule", [entry_faults, raises_faults], ids=lambda rule: rule.__name__)
def test_tests_keep_rule(rule):
    faults = [fault for path in TESTS for fault in rule(name_of(path), ast.parse(path.read_text()))]
    assert not faults, "\n".join(faults)


def test_there_are_no_import_cycles():
    graph = {
        name_of(path): ours(imports_of(name_of(path), ast.parse(path.read_text()), NAMES)) for path in SOURCES
    }
    assert "searcher.geo" in graph["searcher.trip.model"], "the reading of imports has gone blind"
    try:
        list(TopologicalSorter(graph).static_order())
    except CycleError as error:
        pytest.fail(f"import cycle: {' -> '.join(error.args[1])}")


def test_every_row_of_the_table_is_a_module():
    parts = {path.name + "/" for path in PACKAGE.iterdir() if (path / "__init__.py").exists()}
    parts |= {path.stem for path in PACKAGE.glob("[!_]*.py")}
    faults = row_faults(ROWS, parts)
    assert not faults, "\n".join(faults)


def test_rows_are_read_from_the_table():
    other, modules = (
        "| other |\n|---|\n| `x` |\n\n",
        "| module | what |\n|---|---|\n| `a/` | `b` |\n| `c` | |\n",
    )
    page = f"# A\n{other}{modules}\n| `d` |"
    assert rows_of(page) == ["a/", "c"]
    with pytest.raises(ValueError, match="no table"):
        rows_of("| other | what |")


@pytest.mark.parametrize(
    ("rows", "count"), [(["a", "b/"], 0), (["a", "b"], 1), (["a", "a"], 1), (["gone"], 1)]
)
def test_wrong_rows_are_found(rows, count):
    assert len(row_faults(rows, {"a", "b/"})) == count


def test_faults_of_order_say_what_to_do():
    (fault,) = order_faults("searcher.helpers", ast.parse("from searcher.geo import Place"))
    assert "add a row '| `helpers` | what it does |'" in fault
    assert "below the row of `geo`" in fault
    (fault,) = order_faults("searcher.geo", ast.parse("from searcher.sea import Grid"))
    assert "move the row of `sea` up" in fault


def test_top_level_holds_only_what_was_agreed():
    ignored = [line.strip("/") for line in (ROOT / ".gitignore").read_text().split()]
    packed = {"PKG-INFO", "setup.cfg"} if (ROOT / "PKG-INFO").exists() else set()  # a source distribution
    names = {path.name for path in ROOT.iterdir()} - TOP_LEVEL - packed
    strangers = [name for name in names if not any(fnmatch.fnmatch(name, rule) for rule in ignored)]
    assert not strangers


def test_files_that_are_not_python_are_installed():
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())
    patterns = settings["tool"]["setuptools"]["package-data"]["searcher"]
    others = [
        path.relative_to(PACKAGE)
        for path in PACKAGE.rglob("*")
        if path.is_file() and path.suffix != ".py" and "__pycache__" not in path.parts
    ]
    assert others
    missing = [str(path) for path in others if not any(path.match(pattern) for pattern in patterns)]
    assert not missing, f"no package-data pattern covers {missing}"


LONG = "def long():\n    '''Say.'''\n" + "    x = 1\n" * 61
BREAKS = [
    (order_faults, "searcher.geo", "from searcher.sea import Grid", 1),
    (order_faults, "searcher.geo", "def f():\n    import searcher.cli", 1),
    (order_faults, "searcher.geo", "from searcher import units, plan", 1),
    (order_faults, "searcher.sources.cache", "from searcher.trip import Trip", 1),
    (order_faults, "searcher.builtin.flow", "from searcher.kernels.advect import advect", 1),
    (order_faults, "searcher.trip.model", "from ..plan import Plan", 1),
    (order_faults, "searcher.trip.model", "from .read import read_trip\nfrom ..geo import Place", 0),
    (order_faults, "searcher.helpers", "", 1),
    (order_faults, "searcher.kernels.march", "from searcher.kernels.metric import A", 0),
    (kernel_faults, "searcher.kernels.march", "import scipy.ndimage\nimport numpy as np", 1),
    (entry_faults, "searcher.reach", "from searcher.kernels.tanh import fit as f\nf(1)", 1),
    (entry_faults, "searcher.reach", "from searcher.kernels import tanh\ndef g():\n    tanh.fit(1)", 1),
    (entry_faults, "searcher.kernels.tanh", "def g():\n    return solve(1)", 1),
    (entry_faults, "searcher.kernels.tanh", "@kernel()\ndef g():\n    return solve(1)", 0),
    (trade_faults, "searcher.reach", "def f(speed_kn):\n    x.range_nm = speed_kn", 3),
    (trade_faults, "searcher.reach", "g(wave_ft=1)\nmax_burn = 3", 1),
    (trade_faults, "searcher.trip.model", "speed_kn = 1", 0),
    (docstring_faults, "searcher.reach", "'''Reach.'''\ndef f(): pass\ndef _g(): pass", 1),
    (docstring_faults, "searcher.reach", "'''Reach.'''\n@overload\ndef f(): ...\ndef f(): pass", 1),
    (float_faults, "searcher.reach", "def f(a: float, b: float, c: float, d: float): pass", 1),
    (float_faults, "searcher.reach", "def f(a: float, b: float, *, c: float, d: float): pass", 0),
    (length_faults, "searcher.reach", LONG, 1),
    (length_faults, "searcher.reach", LONG.replace("x = 1", "# x", 40), 0),
    (print_faults, "searcher.reach", "print(1)", 1),
    (raises_faults, "tests.test_x", "with pytest.raises(ValueError): pass", 1),
    (raises_faults, "tests.test_x", "with pytest.raises(ValueError, match='x'): pass", 0),
]


@pytest.mark.parametrize(("rule", "name", "source", "count"), BREAKS)
def test_rules_bite(rule, name, source, count):
    assert len(rule(name, ast.parse(source))) == count
