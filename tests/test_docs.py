"""Documentation against code: the reference pages follow from the declarations."""

from __future__ import annotations

import ast
import importlib.util
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"


@pytest.fixture(scope="module")
def reference():
    spec = importlib.util.spec_from_file_location("make_reference", DOCS / "make_reference.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_command_reference_is_up_to_date(reference):
    assert (DOCS / "cli.md").read_text(encoding="utf-8") == reference.cli_page(), (
        "run docs/make_reference.py"
    )


def test_the_procedure_reference_is_up_to_date(reference):
    assert (DOCS / "procedures.md").read_text(encoding="utf-8") == reference.procedures_page(), (
        "run docs/make_reference.py"
    )


def test_links_in_the_prose_lead_somewhere():
    broken = []
    for page in [ROOT / "README.md", ROOT / "CONTRIBUTING.md", *DOCS.glob("**/*.md")]:
        if "_build" in page.parts or "api" in page.parts:
            continue
        links = re.findall(r"\]\(([^)#:]+)\)", page.read_text(encoding="utf-8"))
        broken += [f"{page.name}: {t}" for t in links if not (page.parent / t).exists()]
    assert not broken


def test_files_stay_small():
    # About 400 lines at most: one measurement, one module.
    large = {
        str(p.relative_to(ROOT)): n
        for p in (ROOT / "src").glob("**/*.py")
        if (n := len(p.read_text(encoding="utf-8").splitlines())) > 400
    }
    assert not large


def test_functions_stay_short():
    # 60 lines at most; `sheets` is a table of the export's columns.
    long = {
        f"{p.name}: {n.name}": n.end_lineno - n.lineno + 1
        for p in (ROOT / "src").glob("**/*.py")
        for n in ast.walk(ast.parse(p.read_text(encoding="utf-8")))
        if isinstance(n, ast.FunctionDef) and n.end_lineno - n.lineno >= 60 and n.name != "sheets"
    }
    assert not long


def _is_number(node):
    if isinstance(node, ast.Tuple):
        return bool(node.elts) and all(map(_is_number, node.elts))
    if isinstance(node, ast.BinOp):
        return _is_number(node.left) and _is_number(node.right)
    if isinstance(node, ast.UnaryOp):
        return _is_number(node.operand)
    return isinstance(node, ast.Constant) and type(node.value) in (int, float)


def test_a_constant_says_why_it_has_its_value():
    # Beside it, in the comment over its group, or in words below it; scenes are drawn freely.
    bare = []
    for path in (ROOT / "src").glob("**/*.py"):
        if {"virtual", "demo", "migrations"} & set(path.parts) or "study" in path.name:
            continue
        text = path.read_text(encoding="utf-8")
        lines, body = text.splitlines(), ast.parse(text).body
        for node, after in zip(body, [*body[1:], None], strict=True):
            if not isinstance(node, ast.Assign | ast.AnnAssign) or not _is_number(node.value):
                continue
            said = isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant)
            said = said or any("#" in x for x in lines[node.lineno - 1 : node.end_lineno])
            above = node.lineno - 2
            while not said and re.match(r"_?[A-Z]|#", lines[above]):
                said = lines[above].startswith("#")
                above -= 1
            if not said:
                bare.append(f"{path.relative_to(ROOT)}:{node.lineno} {lines[node.lineno - 1]}")
    assert not bare


def test_a_class_has_its_name_for_itself():
    # A name that two rooms give to two things makes every search and every import ask which.
    places: dict[str, list[str]] = {}
    for path in (ROOT / "src").glob("**/*.py"):
        for found in re.findall(r"^class ([A-Z]\w*)", path.read_text(encoding="utf-8"), re.M):
            places.setdefault(found, []).append(str(path.relative_to(ROOT)))
    assert {name: where for name, where in places.items() if len(where) > 1} == {}


def test_every_published_table_has_its_provenance():
    folder = ROOT / "tests" / "published"
    words = (folder / "README.md").read_text(encoding="utf-8")
    missing = [p.name for p in folder.glob("*.csv") if p.name not in words]
    assert not missing


def test_the_notice_names_every_package_of_the_lock():
    spec = importlib.util.spec_from_file_location("make_notice", DOCS / "make_notice.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    said = (DOCS.parent / "NOTICE").read_text(encoding="utf-8")
    names = module.locked()
    assert len(names) > 40
    assert [n for n in names if not re.search(rf"^{re.escape(n)}\s", said, re.MULTILINE)] == []
    assert "x264" in said
    assert "LGPL" in said
