"""Write the reference pages that follow from the code: commands and procedures.

``tests/test_docs.py`` fails when they are out of date.
"""

from __future__ import annotations

from pathlib import Path

HERE = Path(__file__).parent


def cli_page() -> str:
    """Return the command-line reference as Markdown."""
    import re

    from seeworthy.cli import main

    root = main.LazyGroup()
    parts = [
        "# Command line",
        "",
        "Made by `docs/make_reference.py` from the commands' own help.",
        "",
    ]
    for name in root.list_commands(None):
        command = main.load(name)
        parts += [f"## seeworthy {name}", ""]
        for words, one in _leaves(name, command):
            text = _help(one, f"seeworthy {words}")
            parts += ["```text", re.sub(r"[ \t]+\n", "\n", text).rstrip(), "```", ""]
    return "\n".join(parts)


def _leaves(words: str, command: object) -> list[tuple[str, object]]:
    found = [(words, command)]
    for name, child in getattr(command, "commands", {}).items():
        found += _leaves(f"{words} {name}", child)
    return found


def _help(command: object, name: str) -> str:
    context = command.make_context(  # type: ignore[attr-defined]
        name, [], resilient_parsing=True, max_content_width=96, terminal_width=96
    )
    return str(command.get_help(context))  # type: ignore[attr-defined]


def procedures_page() -> str:
    """Return the procedures as Markdown, cautions first."""
    from seeworthy.ground.measurands import measurand
    from seeworthy.procedures import all_procedures
    from seeworthy.procedures.cautions import CAUTIONS

    parts = ["# Procedures", "", "Made by `docs/make_reference.py` from the declarations.", ""]
    for p in all_procedures().values():
        parts += [f"## {p.title} (`{p.id}`)", "", f"*{p.question}*", ""]
        parts += [f"> Caution: {CAUTIONS[c]}\n" for c in p.cautions]
        parts += [f"{i}. {s.text}" for i, s in enumerate(p.steps, 1)]
        parts += [""]
        rows = [(f"`{f.role}=`" if f.role else "files", f.what) for f in p.files]
        rows += [(f"`--reading {r.name}=`", f"{r.what} Like `{r.typical}`.") for r in p.readings]
        rows += [(f"`--option {o.name}=`", f"{o.what} Like `{o.typical}`.") for o in p.options]
        if rows:
            parts += ["| you give | what |", "| --- | --- |"]
            parts += [f"| {a} | {_cell(b)} |" for a, b in rows] + [""]
        parts += ["| you learn | unit | meaning |", "| --- | --- | --- |"]
        for m in map(measurand, p.measurand_ids):
            parts.append(f"| `{m.id}` {m.title} | {m.unit} | {_cell(m.meaning)} |")
        for f in p.finds.values():
            unit = f"{f.unit} (finding)" if f.unit else "finding"
            parts.append(f"| {f.name} | {unit} | {_cell(f.what)} |")
        parts.append("")
    return "\n".join(parts)


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")


def main() -> None:
    """Write both pages."""
    (HERE / "cli.md").write_text(cli_page(), encoding="utf-8")
    (HERE / "procedures.md").write_text(procedures_page(), encoding="utf-8")


if __name__ == "__main__":
    main()
