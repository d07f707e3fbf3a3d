"""A corpus as one page that needs no server: DuckDB and the tables stand in the file.

The page opens from a disk or a plain folder of a host. Its policy lets it load nothing from
anywhere, so that what strangers typed into their benches reaches nobody.
"""

from __future__ import annotations

import base64
import datetime as dt
import gzip
import hashlib
import io
import json
import lzma
import re
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from seeworthy.ground.errors import WrongCall
from seeworthy.publish.corpus import QUESTIONS, corpus_in, priors
from seeworthy.publish.html import TEMPLATES, environment
from seeworthy.publish.write import write_whole

MOST = 300_000
"""Results in a page. A judgement: 30 to 40 MB of page with the engine's 11, what a phone still
opens; 50,000 made 15 MB (measured)."""
VENDOR = Path(__file__).parent / "vendor"
_WORDS = {
    "figures": "Every model's figures",
    "claims": "What sellers claim, held against the figures",
    "priors": "What to expect of a new unit",
    "benches": "Who measured",
}


def corpus_page(folder: str | Path, out: str | Path) -> Path:
    """Write the page of a corpus.

    Args:
        folder: Of `seeworthy.publish.pool.pool`.
        out: The HTML file; written whole or not at all.

    Raises:
        NotFound: No corpus there.
        WrongCall: Too large for a page, or the file is no HTML.
    """
    place, target = corpus_in(folder), Path(out)
    if target.suffix.lower() not in {".html", ".htm"}:
        raise WrongCall(f"'{target}' is no page.", "Give it a name that ends in .html.")
    count = pq.read_metadata(place / "results.parquet").num_rows
    if count > MOST:
        raise WrongCall(
            f"{count:,} results are too many for one page, which holds {MOST:,}.",
            "Pool fewer benches for it, or publish the Parquet files, which open in many tools.",
        )
    tables = {n: pq.read_table(place / f"{n}.parquet") for n in ("results", "claims", "packages")}
    tables["packages"] = tables["packages"].drop_columns(["path"])  # a place on our disk
    benches = tables["packages"].num_rows
    tables["priors"] = _table(priors(place))
    parts = [(name, _packed(_stream(table))) for name, table in tables.items()]
    parts += [
        ("worker", _packed(_vendored("duckdb-browser-eh.worker.js.xz"))),
        ("engine", _packed(_vendored("duckdb-eh.wasm.xz"))),
    ]
    scripts = _scripts(list(tables))
    html = environment().get_template("corpus.html").render(
        policy=_policy(scripts),
        said=f"{benches:,} benches, {count:,} results",
        made=dt.datetime.now(dt.UTC).date().isoformat(),
        style="".join((TEMPLATES / n).read_text("utf-8") for n in ("report.css", "corpus.css")),
        questions=[(n, words, _asked(n)) for n, words in _WORDS.items()],
        parts=parts,
        scripts=scripts,
    )  # fmt: skip
    target.parent.mkdir(parents=True, exist_ok=True)
    write_whole(target, html.encode())
    return target


def _asked(question: str) -> str:
    sql = QUESTIONS.get(question, "select * from priors order by measurand, model")
    return re.sub(r"\n {4,8}", "\n", sql).strip()


def _table(rows: list[dict[str, object]]) -> pa.Table:
    names = ("model", "measurand", "unit", "conditions")
    numbers = ("value", "u", "low", "high", "spread_between_benches")
    schema = pa.schema(
        [pa.field(n, pa.string()) for n in names]
        + [pa.field(n, pa.float64()) for n in numbers]
        + [pa.field(n, pa.int64()) for n in ("benches", "units", "results")]
    )
    return pa.Table.from_pylist(rows, schema=schema)


def _stream(table: pa.Table) -> bytes:
    out = io.BytesIO()
    with pa.ipc.new_stream(out, table.schema) as writer:
        writer.write_table(table.combine_chunks())
    return out.getvalue()


def _vendored(name: str) -> bytes:
    return lzma.decompress((VENDOR / name).read_bytes())


def _packed(data: bytes) -> str:
    return base64.b64encode(gzip.compress(data, 6, mtime=0)).decode()


def _scripts(tables: list[str]) -> list[str]:
    """Return the scripts of the page, in their order."""
    arrow, engine, own = (
        path.read_text(encoding="utf-8")
        for path in (
            VENDOR / "Arrow.es2015.min.js", VENDOR / "duckdb-browser.cjs", TEMPLATES / "corpus.js",
        )
    )  # fmt: skip
    # The npm file is a CommonJS module that asks for one other, which stands before it.
    engine = (
        "var duckdb=(function(){var module={exports:{}},exports=module.exports,"
        f"require=function(){{return Arrow}};{engine}\nreturn module.exports}})()"
    )
    return [arrow, engine, f"const TABLES={json.dumps(tables)};\n{own}"]


def _policy(scripts: list[str]) -> str:
    """Let only the scripts of the page run, and nothing be loaded from anywhere."""
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'"
        for s in scripts
    )
    return (
        f"default-src 'none'; script-src {hashes} 'wasm-unsafe-eval' blob:; worker-src blob:; "
        "style-src 'unsafe-inline'"
    )
