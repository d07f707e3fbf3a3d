"""What a data package says of itself: descriptor, citation, RO-Crate.

Data Package v1 and Table Schema v1 (Frictionless Data), Citation File Format 1.2.0, RO-Crate 1.1.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from seeworthy import __version__
from seeworthy.bench.identity import Identity
from seeworthy.publish.sheets import sheets, table_schema

FORMAT = 2
"""Form of the package; a reader refuses a higher one."""

UNTITLED = "Bench tests of small flying cameras"
"""Title of a package whose makers gave none."""

DESCRIPTION = (
    "Every value has a standard uncertainty u (k = 1) and a 95 % interval. Units are given per "
    "row. A text that a spreadsheet would compute has an apostrophe before it, and so has one "
    "that begins with an apostrophe. A figure is about pictures and recording, never about "
    "flight safety."
)
_PLAIN = re.compile(r"[-a-zA-Z0-9._]+")


@dataclass(frozen=True, slots=True)
class DescribedFacts:
    """What is said of one package: whose, when, which methods, whose else is in it."""

    identity: Identity
    created: dt.datetime
    methods: Mapping[str, int]
    sources: tuple[Identity, ...] = ()

    @property
    def title(self) -> str:
        """The bench's title, or a plain one."""
        return self.identity.title or UNTITLED

    @property
    def version(self) -> str:
        """Grows with every export: the moment it was made, UTC."""
        return self.created.strftime("%Y%m%d.%H%M%S")


def describe(folder: Path, facts: DescribedFacts) -> None:
    """Write descriptor, citation and RO-Crate beside the files of a package."""
    (folder / "CITATION.cff").write_text(_citation(facts), encoding="utf-8", newline="\n")
    crate = json.dumps(_crate(folder, facts), indent=2, ensure_ascii=False)
    (folder / "ro-crate-metadata.json").write_text(crate + "\n", encoding="utf-8", newline="\n")
    text = json.dumps(_descriptor(folder, facts), indent=2, ensure_ascii=False)
    (folder / "datapackage.json").write_text(text + "\n", encoding="utf-8", newline="\n")


def _descriptor(folder: Path, facts: DescribedFacts) -> dict[str, Any]:
    who = facts.identity
    found: dict[str, Any] = {
        "profile": "data-package",
        "name": "seeworthy-bench",
        "id": who.id,
        "title": facts.title,
        "version": facts.version,
        "created": facts.created.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "description": DESCRIPTION,
        "seeworthy": {"format": FORMAT, "version": __version__, "methods": dict(facts.methods)},
    }
    if who.licence:
        found["licenses"] = [_licence(who.licence)]
    if who.contributors:
        found["contributors"] = [{"title": c, "role": "author"} for c in who.contributors]
    if facts.sources:
        found["sources"] = [
            {"title": s.title or s.id, "path": f"urn:uuid:{s.id}", "licence": s.licence}
            for s in facts.sources
        ]
    found["resources"] = [_resource(folder, path) for path in _files(folder)]
    return found


def _licence(text: str) -> dict[str, str]:
    return {"name": text} if _PLAIN.fullmatch(text) else {"name": "other", "title": text}


def _files(folder: Path) -> list[Path]:
    first = [folder / f"{s.name}.csv" for s in sheets()]
    rest = sorted(p for p in folder.rglob("*") if p.is_file() and p not in first)
    return first + rest


def _resource(folder: Path, path: Path) -> dict[str, Any]:
    place = path.relative_to(folder).as_posix()
    with path.open("rb") as handle:
        digest = hashlib.file_digest(handle, "sha256").hexdigest()
    found: dict[str, Any] = {
        "name": re.sub(r"[^a-z0-9._-]+", "-", place.lower()),
        "path": place,
        "bytes": path.stat().st_size,
        "hash": f"sha256:{digest}",
    }
    table = next((s for s in sheets() if place == f"{s.name}.csv"), None)
    if table is None:
        return {**found, "type": "file"}
    return {
        **found,
        "name": table.name,
        "title": table.title,
        "profile": "tabular-data-resource",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": table_schema(table),
    }


def _citation(facts: DescribedFacts) -> str:
    # JSON strings are YAML strings (YAML 1.2, 1.3 "Relation to JSON").
    def said(text: str) -> str:
        return json.dumps(text, ensure_ascii=False)

    # The format wants an author; where nobody gave a name, the bench is the one.
    people = facts.identity.contributors or (f"Bench {facts.identity.id}",)
    lines = [
        "cff-version: 1.2.0",
        "type: dataset",
        'message: "If you use these data, please cite them as below."',
        f"title: {said(facts.title)}",
        "authors:",
        *(f"  - name: {said(name)}" for name in people),
        f"version: {said(facts.version)}",
        f'date-released: "{facts.created.date().isoformat()}"',
        "identifiers:",
        "  - type: other",
        f'    value: "urn:uuid:{facts.identity.id}"',
    ]
    if _PLAIN.fullmatch(facts.identity.licence):
        lines.append(f"license: {said(facts.identity.licence)}")
    return "\n".join(lines) + "\n"


def _crate(folder: Path, facts: DescribedFacts) -> dict[str, Any]:
    who = facts.identity
    files = [p.relative_to(folder).as_posix() for p in _files(folder)]
    root: dict[str, Any] = {
        "@id": "./",
        "@type": "Dataset",
        "identifier": f"urn:uuid:{who.id}",
        "name": facts.title,
        "description": DESCRIPTION,
        "version": facts.version,
        "datePublished": facts.created.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "license": who.licence or "none given: ask whoever made it",
        "hasPart": [{"@id": f} for f in files],
    }
    people = [
        {"@id": f"#person-{i}", "@type": "Person", "name": name}
        for i, name in enumerate(who.contributors, 1)
    ]
    if people:
        root["author"] = [{"@id": p["@id"]} for p in people]
    return {
        "@context": "https://w3id.org/ro/crate/1.1/context",
        "@graph": [
            {
                "@id": "ro-crate-metadata.json",
                "@type": "CreativeWork",
                "conformsTo": {"@id": "https://w3id.org/ro/crate/1.1"},
                "about": {"@id": "./"},
            },
            root,
            *people,
            *({"@id": f, "@type": "File", "name": f} for f in files),
        ],
    }
