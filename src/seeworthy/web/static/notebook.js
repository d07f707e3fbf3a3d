// What the pages do beyond links and forms. No inline script, no other host, no library here.
"use strict";
(() => {
  const all = (selector, root = document) => [...root.querySelectorAll(selector)];
  const PIECE = 8 * 1024 * 1024;

  // Tables that sort: a head becomes a button; the state is told to readers.
  const value = (row, column) => {
    const cell = row.cells[column];
    return cell ? (cell.dataset.value ?? cell.textContent.trim()) : "";
  };
  const sortable = (table) => {
    if (table.dataset.ready) return;
    table.dataset.ready = "yes";
    all("thead th", table).forEach((head, column) => {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => {
        const up = head.getAttribute("aria-sort") !== "ascending";
        all("thead th", table).forEach((other) => other.removeAttribute("aria-sort"));
        head.setAttribute("aria-sort", up ? "ascending" : "descending");
        const rows = all("tbody tr", table);
        rows.sort((a, b) => value(a, column).localeCompare(value(b, column), undefined, { numeric: true }));
        if (!up) rows.reverse();
        table.tBodies[0].append(...rows);
      });
    });
  };

  // A reading that may be repeated grows a further field when the last one is used.
  const repeats = (box) => {
    if (box.dataset.ready) return;
    box.dataset.ready = "yes";
    box.addEventListener("input", () => {
      const fields = all("input", box);
      const last = fields[fields.length - 1];
      if (!last.value || fields.length > 40) return;
      const next = last.cloneNode();
      next.value = "";
      next.id = `${fields[0].id}-${fields.length + 1}`;
      next.setAttribute("aria-label", `${fields[0].name.split(".").pop().replaceAll("_", " ")}, ${fields.length + 1}`);
      last.after(next);
    });
  };

  // Uploads: in pieces, each with its offset; what broke off goes on where it stands.
  const pause = (time) => new Promise((done) => setTimeout(done, time));
  const asked = async (address, options) => {
    const answer = await fetch(address, options);
    const said = await answer.json().catch(() => ({}));
    if (answer.ok) return said;
    const problem = new Error(said.error ? `${said.error.message} ${said.error.hint}` : `The bench answered ${answer.status}.`);
    problem.status = answer.status;
    throw problem;
  };
  const begin = (file) => asked("/uploads", {
    method: "POST", headers: { "content-type": "application/json" },
    body: JSON.stringify({ name: file.name, size: file.size }),
  });
  const key = (file) => `upload ${file.name} ${file.size} ${file.lastModified}`;
  const remembered = async (file) => {
    const ticket = sessionStorage.getItem(key(file));
    if (!ticket) return null;
    return asked(`/uploads/${ticket}`).catch(() => null);
  };
  const send = async (file, tell) => {
    let upload = (await remembered(file)) || (await begin(file));
    sessionStorage.setItem(key(file), upload.ticket);
    let failures = 0;
    while (upload.have < upload.size) {
      tell(upload.have / upload.size, "");
      try {
        upload = await asked(`/uploads/${upload.ticket}?offset=${upload.have}`, {
          method: "PATCH", body: file.slice(upload.have, upload.have + PIECE),
        });
        failures = 0;
      } catch (problem) {
        if (problem.status && problem.status !== 409) throw problem;
        failures += 1;
        if (failures > 40) throw problem;
        tell(upload.have / upload.size, "The line broke; it goes on where it stands.");
        await pause(Math.min(500 * failures, 5000));
        upload = await asked(`/uploads/${upload.ticket}`).catch(() => upload);
      }
    }
    return upload.ticket; // remembered until a take holds it: chosen again, it need not be sent again
  };
  const dropZone = (zone) => {
    if (zone.dataset.ready) return;
    zone.dataset.ready = "yes";
    const input = zone.querySelector("input[type=file]");
    const list = zone.querySelector(".arriving");
    const field = zone.dataset.field || `file.role_${zone.dataset.role}`;
    const form = zone.closest("form");
    all("[data-away]", list).forEach((away) => away.addEventListener("click", () => away.closest("li").remove()));
    const take = (files) => {
      const chosen = [...files];
      if (zone.dataset.most === "1") { list.replaceChildren(); chosen.splice(1); }
      chosen.forEach(arrive);
      input.value = "";
    };
    const arrive = async (file) => {
      const row = document.createElement("li");
      const bar = document.createElement("progress");
      const words = document.createElement("span");
      const away = document.createElement("button");
      bar.max = 1; bar.value = 0;
      bar.setAttribute("aria-label", `${file.name}, share that has arrived`);
      away.type = "button"; away.className = "quiet"; away.textContent = "Leave out";
      away.setAttribute("aria-label", `Leave out ${file.name}`);
      away.addEventListener("click", () => row.remove());
      row.append(file.name, bar, words, away);
      list.append(row);
      row.dataset.busy = "yes";
      try {
        const ticket = await send(file, (share, said) => { bar.value = share; words.textContent = said || `${Math.floor(100 * share)} %`; });
        const hidden = document.createElement("input");
        hidden.type = "hidden"; hidden.name = field; hidden.value = ticket;
        bar.value = 1; words.textContent = "here";
        row.append(hidden);
      } catch (problem) {
        words.textContent = problem.message;
        words.className = "refusal";
      }
      delete row.dataset.busy;
      form.dispatchEvent(new CustomEvent("arrived"));
    };
    input.addEventListener("change", () => take(input.files));
    for (const name of ["dragenter", "dragover"]) zone.addEventListener(name, (event) => { event.preventDefault(); zone.classList.add("over"); });
    for (const name of ["dragleave", "drop"]) zone.addEventListener(name, () => zone.classList.remove("over"));
    zone.addEventListener("drop", (event) => { event.preventDefault(); take(event.dataTransfer.files); });
  };
  const uploadForm = (form) => {
    if (form.dataset.ready) return;
    form.dataset.ready = "yes";
    let waiting = false;
    form.addEventListener("submit", (event) => {
      const refused = form.querySelector(".arriving .refusal");
      if (refused) { // a file that did not come is never dropped in silence
        event.preventDefault();
        if (!refused.dataset.told) refused.textContent += " Leave it out, or choose it again.";
        refused.dataset.told = "yes";
        refused.closest("li").querySelector("button").focus();
        return;
      }
      if (!form.querySelector("[data-busy]")) return;
      event.preventDefault();
      if (waiting) return;
      waiting = true;
      const button = event.submitter;
      if (button) { button.dataset.words = button.textContent; button.textContent = "Waiting for the files …"; }
      form.addEventListener("arrived", function go() {
        if (form.querySelector("[data-busy]")) return;
        form.removeEventListener("arrived", go);
        if (button) button.textContent = button.dataset.words;
        waiting = false;
        if (!form.querySelector(".arriving .refusal")) form.requestSubmit(button);
      });
    });
  };

  // Figures: the pointer or a slider walks the rows.
  const figure = (reader) => {
    const slider = reader.querySelector("input[type=range]");
    if (!slider) return; // a handful of values stands in the table as it is
    const out = reader.querySelector(".readout");
    const heads = all("thead th", reader).map((head) => head.textContent);
    const rows = all("tbody tr", reader).map((row) => [...row.cells].map((cell) => cell.textContent));
    const say = () => {
      const row = rows[Number(slider.value)];
      if (row) out.textContent = heads.map((head, i) => `${head}: ${row[i]}`).filter((part) => !part.endsWith(": –")).join("; ");
    };
    slider.addEventListener("input", say);
    all("svg", reader).forEach((drawing) => drawing.addEventListener("pointermove", (event) => {
      const plot = drawing.querySelector("path.background") || drawing;
      const box = plot.getBoundingClientRect();
      const at = axis(drawing);
      const x = at ? at(event.clientX) : null;
      const firsts = rows.map((row) => Number.parseFloat(row[0].replace("−", "-")));
      let place = Math.round((event.clientX - box.left) / box.width * (rows.length - 1));
      if (x !== null && firsts.every(Number.isFinite)) {
        place = firsts.reduce((best, now, i) => (Math.abs(now - x) < Math.abs(firsts[best] - x) ? i : best), 0);
      }
      slider.value = Math.max(0, Math.min(rows.length - 1, place));
      say();
    }));
  };
  // Where the x axis puts its numbers, read off its own labels.
  const axis = (drawing) => {
    const labels = all(".role-axis-label text", drawing).map((text) => {
      const box = text.getBoundingClientRect();
      return [box.left + box.width / 2, box.top, Number.parseFloat(text.textContent.replace("−", "-").replace(",", ""))];
    }).filter((label) => Number.isFinite(label[2]));
    const lowest = Math.max(...labels.map((label) => label[1]));
    const along = labels.filter((label) => Math.abs(label[1] - lowest) < 3).sort((a, b) => a[0] - b[0]);
    if (along.length < 2) return null;
    const [first, last] = [along[0], along[along.length - 1]];
    return (px) => first[2] + (px - first[0]) / (last[0] - first[0]) * (last[2] - first[2]);
  };

  // Measuring, live.
  const listen = (note) => {
    if (note.dataset.ready || note.hidden) return;
    note.dataset.ready = "yes";
    const source = new EventSource(note.dataset.events);
    const mine = document.getElementById("progress");
    const number = mine ? Number(mine.dataset.take) : 0;
    const say = (words) => { note.textContent = words; };
    source.addEventListener("planned", (event) => say(`Measuring ${JSON.parse(event.data).total} takes …`));
    const going = new Map();
    for (const kind of ["begun", "going", "done", "skipped"]) {
      source.addEventListener(kind, (event) => {
        const told = JSON.parse(event.data);
        const ended = kind === "done" || kind === "skipped";
        if (ended) going.delete(told.take); else going.set(told.take, told.share);
        const far = [...going.values()].reduce((sum, share) => sum + share, told.done) / Math.max(1, told.total);
        say(`Measuring: ${Math.floor(100 * far)} %, ${told.done} of ${told.total} takes done.`);
        if (!mine || told.take !== number) return;
        mine.hidden = false;
        mine.querySelector(".words").textContent = ended ? "Measured." : `Being measured: ${Math.floor(100 * told.share)} % …`;
        if (ended) location.reload();
      });
    }
    source.addEventListener("failed", (event) => { const told = JSON.parse(event.data); say(`${told.message} ${told.hint}`); });
    source.addEventListener("idle", () => {
      source.close();
      note.hidden = true;
      if (mine && !mine.hidden) location.reload();
      else if (document.querySelector("form[action='/run']")) location.reload();
    });
    addEventListener("pagehide", () => source.close());
  };

  // The frame viewer.
  const viewer = (root) => {
    const image = root.querySelector("img"), stage = root.querySelector(".stage"), mark = root.querySelector(".mark");
    const slider = root.querySelector("input[type=range]"), where = root.querySelector(".where"), field = root.querySelector(".px");
    const count = Number(root.dataset.count), rate = Number(root.dataset.rate);
    const size = [Number(root.dataset.width), Number(root.dataset.height)];
    let index = 0, timer = 0, region = null;
    const show = (wanted) => {
      index = Math.max(0, Math.min(count - 1, wanted));
      slider.value = index;
      const seconds = rate ? `, ${(index / rate).toFixed(2)} s` : "";
      where.textContent = `Frame ${index} of ${count}${seconds}`;
      clearTimeout(timer);
      timer = setTimeout(() => { image.src = `${root.dataset.frames}/${index}.jpg`; image.alt = `Frame ${index}`; }, 90);
    };
    const draw = (next) => {
      const [x, y, w, h] = next;
      region = [Math.max(0, Math.min(x, size[0] - w)), Math.max(0, Math.min(y, size[1] - h)), w, h].map(Math.round);
      mark.removeAttribute("hidden");
      ["x", "y", "width", "height"].forEach((name, i) => mark.setAttribute(name, region[i]));
      field.value = region.join(",");
    };
    const typed = () => {
      const parts = field.value.split(",").map(Number);
      if (parts.length === 4 && parts.every((part) => Number.isFinite(part) && part >= 0)) draw(parts);
    };
    slider.addEventListener("input", () => show(Number(slider.value)));
    all("[data-step]", root).forEach((button) => button.addEventListener("click", () => show(index + Number(button.dataset.step))));
    field.addEventListener("change", typed);
    typed();
    const at = (event) => {
      const box = stage.getBoundingClientRect();
      return [(event.clientX - box.left) / box.width * size[0], (event.clientY - box.top) / box.height * size[1]];
    };
    stage.addEventListener("pointerdown", (event) => {
      const from = at(event);
      stage.setPointerCapture(event.pointerId);
      const move = (next) => {
        const to = at(next);
        draw([Math.min(from[0], to[0]), Math.min(from[1], to[1]), Math.max(2, Math.abs(to[0] - from[0])), Math.max(2, Math.abs(to[1] - from[1]))]);
      };
      stage.addEventListener("pointermove", move);
      stage.addEventListener("pointerup", () => stage.removeEventListener("pointermove", move), { once: true });
    });
    stage.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (event.key === ",") show(index - 1);
      else if (event.key === ".") show(index + 1);
      else if (event.key === "Enter") draw([size[0] / 4, size[1] / 4, size[0] / 2, size[1] / 2]);
      else if (step && region) {
        const far = event.altKey ? 1 : 8;
        const [x, y, w, h] = region;
        draw(event.shiftKey ? [x, y, Math.max(2, w + step[0] * far), Math.max(2, h + step[1] * far)] : [x + step[0] * far, y + step[1] * far, w, h]);
      } else return;
      event.preventDefault();
    });
  };

  const ready = (root) => {
    all("table.sort", root).forEach(sortable);
    all("[data-repeat]", root).forEach(repeats);
    all(".drop", root).forEach(dropZone);
    all("form[data-upload]", root).forEach(uploadForm);
    all(".reader", root).forEach((reader) => {
      if (reader.dataset.ready) return;
      reader.dataset.ready = "yes";
      figure(reader);
    });
    all("[data-events]", root).forEach(listen);
    all(".viewer", root).forEach((one) => { if (!one.dataset.ready) { one.dataset.ready = "yes"; viewer(one); } });
    all("[data-reload]", root).forEach((one) => setTimeout(() => location.reload(), Number(one.dataset.reload)));
    all("[data-print]", root).forEach((button) => button.addEventListener("click", () => print()));
    all("[data-full]", root).forEach((button) => button.addEventListener("click", () => button.closest("section").requestFullscreen()));
    all("textarea[data-line]", root).forEach((text) => {
      const line = Number(text.dataset.line);
      if (!line) return;
      const start = text.value.split("\n").slice(0, line - 1).join("\n").length + (line > 1 ? 1 : 0);
      text.focus();
      text.setSelectionRange(start, start + text.value.split("\n")[line - 1].length);
    });
  };
  ready(document);
  // After a form was sent its answer is read first; a row of a summary opens what it stands for.
  const open = () => {
    const at = location.hash && document.getElementById(location.hash.slice(1));
    if (!at) return;
    if (at.tagName === "DETAILS") at.open = true;
    if (at.tabIndex === -1 && at.hasAttribute("tabindex")) at.focus();
    at.scrollIntoView();
  };
  addEventListener("hashchange", open);
  open();
  const here = document.querySelector(".index [aria-current]");
  if (here) here.closest("ul").scrollLeft = here.offsetLeft - 40; // on a phone the index runs sideways
  document.addEventListener("htmx:after:swap", () => ready(document));
})();
