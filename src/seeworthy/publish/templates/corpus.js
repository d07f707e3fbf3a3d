// The page of a corpus: DuckDB in a worker, tables from this file, answers as text.
"use strict";
const at = (id) => document.getElementById(id);
const MOST = 1000; // rows that are shown; the CSV has all

async function unpacked(id) {
  const part = at(id);
  const raw = Uint8Array.from(atob(part.textContent), (c) => c.charCodeAt(0));
  part.remove();
  const stream = new Blob([raw]).stream().pipeThrough(new DecompressionStream("gzip"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

// A worker of a page that was opened from a disk may fetch nothing, not even what the page
// holds: the engine is handed over as a message, and stands where the worker would fetch it.
const HAND_OVER = `let engine;
addEventListener("message", (e) => { if (e.data.engine) {
  engine = e.data.engine; e.stopImmediatePropagation(); } });
self.fetch = async () => new Response(engine, {headers: {"content-type": "application/wasm"}});
`;

async function start(tables) {
  const code = new Blob([HAND_OVER, await unpacked("worker")], { type: "text/javascript" });
  const worker = new Worker(URL.createObjectURL(code));
  const engine = (await unpacked("engine")).buffer;
  worker.postMessage({ engine }, [engine]);
  const db = new duckdb.AsyncDuckDB(new duckdb.VoidLogger(), worker);
  await db.instantiate("data:application/wasm,");
  const query = { castBigIntToDouble: true, castDecimalToDouble: true, castTimestampToDate: true };
  await db.open({ query });
  const connection = await db.connect();
  for (const name of tables)
    await connection.insertArrowFromIPCStream(await unpacked(name), { name, create: true });
  return connection;
}

function text(value, type) {
  if (value === null || value === undefined) return "";
  if (Arrow.DataType.isDate(type)) {
    const moment = new Date(Number(value)).toISOString();
    return type.unit === 0 ? moment.slice(0, 10) : moment.slice(0, 19).replace("T", " ");
  }
  if (Arrow.DataType.isFloat(type)) return String(Number(value.toPrecision(6)));
  return String(value);
}

function shown(found) {
  const fields = found.schema.fields;
  const columns = fields.map((_, i) => found.getChildAt(i));
  const number = fields.map((f) => Arrow.DataType.isFloat(f.type) || Arrow.DataType.isInt(f.type));
  const rows = Math.min(found.numRows, MOST);
  const table = document.createElement("table");
  const line = (section, words, tag) => {
    const row = section.insertRow();
    words.forEach((word, i) => {
      const cell = row.appendChild(document.createElement(tag));
      cell.textContent = word;
      if (tag === "th") cell.scope = "col";
      if (number[i]) cell.className = "n";
    });
  };
  line(table.createTHead(), fields.map((f) => f.name), "th");
  const body = table.createTBody();
  for (let r = 0; r < rows; r++)
    line(body, columns.map((c, i) => text(c.get(r), fields[i].type)), "td");
  at("answer").replaceChildren(table);
  at("count").textContent =
    rows < found.numRows ? `${found.numRows} rows, the first ${rows} are shown.` : `${rows} rows.`;
}

function csv(found) {
  const fields = found.schema.fields;
  const columns = fields.map((_, i) => found.getChildAt(i));
  const quoted = (word) => (/[",\r\n]/.test(word) ? `"${word.replaceAll('"', '""')}"` : word);
  // A text that a spreadsheet would compute gets an apostrophe, as in the packages.
  const cell = (value, type) => {
    if (value === null || value === undefined) return "";
    if (typeof value === "number" && !Arrow.DataType.isDate(type)) return String(value);
    const word = text(value, type);
    return quoted(/^[=+\-@\t\r\n']/.test(word) ? `'${word}` : word);
  };
  const lines = [fields.map((f) => quoted(f.name)).join(",")];
  for (let r = 0; r < found.numRows; r++)
    lines.push(columns.map((c, i) => cell(c.get(r), fields[i].type)).join(","));
  return lines.join("\r\n") + "\r\n";
}

(async () => {
  const say = (words, wrong) => {
    at("status").textContent = words;
    at("status").className = wrong ? "wrong" : "";
  };
  let answer = null;
  try {
    const connection = await start(TABLES);
    const ask = async () => {
      const begun = performance.now();
      say("Asking …");
      try {
        answer = await connection.query(at("sql").value);
        shown(answer);
        at("save").hidden = false;
        say(`Answered in ${((performance.now() - begun) / 1000).toFixed(1)} s.`);
      } catch (error) {
        say(`The question cannot be answered: ${String(error.message).split("\n")[0]}`, true);
      }
    };
    at("ask").addEventListener("click", ask);
    at("sql").addEventListener("keydown", (e) => {
      if (e.key === "Enter" && (e.ctrlKey || e.metaKey)) ask();
    });
    for (const button of at("ready").children)
      button.addEventListener("click", () => {
        at("sql").value = button.dataset.sql;
        ask();
      });
    at("save").addEventListener("click", () => {
      const link = document.createElement("a");
      link.href = URL.createObjectURL(new Blob([csv(answer)], { type: "text/csv" }));
      link.download = "answer.csv";
      link.click();
      URL.revokeObjectURL(link.href);
    });
    at("ask").disabled = false;
    await ask();
  } catch (error) {
    say(`This browser cannot compute the answers (${error.message}). A current one can.`, true);
  }
})();
