/* Asks the server about the pin, and shows what it answers. The server makes every sentence; what it sends as HTML
   it has escaped, and no script in it would run. */
(function () {
  "use strict";
  const told = JSON.parse(document.getElementById("told").textContent);
  const data = JSON.parse(document.getElementById("map-data").textContent);
  const by = function (id) { return document.getElementById(id); };
  const map = L.map("map", {
    zoomSnap: 0.25, wheelPxPerZoomLevel: 90, maxZoom: 22, minZoom: 2, attributionControl: false, fadeAnimation: false,
    preferCanvas: true, doubleClickZoom: false
  });
  map.fitBounds(data.bounds, { animate: false, paddingTopLeft: [0, 50], paddingBottomRight: [0, 30] });
  drawPlan(map, data);
  document.querySelector(".key").open = window.innerWidth > 1100; // the pin needs room

  const PAUSE_MS = 60;   // while dragging: no more cards than a reader follows
  const state = { revision: told.state.revision, mode: "", corners: [], height: null, asked: 0, brought: [] };
  let at = L.latLng(told.start.lat, told.start.lon);

  /* --- asking --- */

  async function ask(name, question, signal) {
    return answered(await reached(fetch(name, {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(question || {}), signal: signal
    })));
  }

  /* what the server sends, as JSON; a fault of ours where it sends nothing */
  async function reached(promise) {
    try {
      return await (await promise).json();
    } catch (fault) {
      if (fault.name === "AbortError") throw fault;
      return { error: { where: "", what: "The server does not answer", todo: "Start it again: noonmark serve" } };
    }
  }

  function answered(answer) {
    if (answer.error) {
      const e = answer.error;
      say((e.where ? e.where + ": " : "") + e.what + (e.todo ? ". " + e.todo + "." : "."));
      throw new Error(e.what);
    }
    return answer;
  }

  function say(fault) {
    by("fault").textContent = fault || "";
    by("fault").hidden = !fault;
    if (fault) by("fault").scrollIntoView({ block: "nearest" });
  }

  function quietly(promise) { return promise.catch(function () { /* said already, or overtaken by the next question */ }); }

  let running = null, waiting = 0;
  function soon() {
    if (running) running.abort();  // what is asked of an old place is of no use
    window.clearTimeout(waiting);
    by("card").setAttribute("aria-busy", "true");
    waiting = window.setTimeout(function () { quietly(card()); }, PAUSE_MS);
  }

  async function card() {
    const mine = running = new AbortController();
    const spot = { lon: at.lng, lat: at.lat };
    const usual = by("usual").checked;
    const up = Number(by("height").value) * told.metresPerUnit;
    spot.height_m = usual ? null : state.height !== null ? state.height : up;
    let answer;
    try {
      answer = await ask("card", spot, mine.signal);
    } catch (fault) {
      if (fault.name !== "AbortError") by("card").setAttribute("aria-busy", "false");
      throw fault;
    }
    if (mine !== running) return;
    say("");
    follow(answer.revision);
    by("card").innerHTML = answer.html;
    by("card").setAttribute("aria-busy", "false");
    by("card").dataset.numbers = JSON.stringify(answer.numbers);
    by("card").dataset.before = JSON.stringify(answer.before);
    by("card").dataset.asked = String(++state.asked);
    if (usual) by("height").value = Number((answer.numbers.height_m / told.metresPerUnit).toFixed(1));
    by("closer").replaceChildren(note("Working on how sure it is, and on cables ..."));
    spot.height_m = answer.numbers.height_m;
    const closer = await ask("closer", spot, mine.signal);
    if (mine === running) by("closer").innerHTML = closer.html;
  }

  /* another tab may have changed the session: what it is now is asked for */
  function follow(revision) {
    if (revision !== state.revision) quietly(ask("state").then(show));
  }
  async function lookAgain() {
    const drawn = await ask("state");
    const other = drawn.revision !== state.revision;
    show(drawn);
    if (other) soon();
  }
  window.addEventListener("focus", function () { quietly(lookAgain()); });

  function note(text) {
    const p = document.createElement("p");
    p.className = "quiet";
    p.textContent = text;
    return p;
  }

  /* --- the pin --- */

  const pin = L.marker(at, {
    icon: L.divIcon({ html: '<div class="pin"></div>', className: "mark-place", iconSize: [0, 0] }),
    draggable: true, keyboard: true, title: "The spot asked about", alt: "The spot asked about", zIndexOffset: 4000, autoPan: true
  }).addTo(map);
  pin.on("drag", function () { at = pin.getLatLng(); leave(); soon(); });
  pin.on("dragend", function () { at = pin.getLatLng(); soon(); });
  const STEPS = { ArrowUp: [0, 1], ArrowDown: [0, -1], ArrowLeft: [-1, 0], ArrowRight: [1, 0] };
  pin.getElement().addEventListener("keydown", function (event) {
    const step = STEPS[event.key];
    if (!step) return;
    event.preventDefault();
    event.stopPropagation();
    const metres = told.stepM * (event.shiftKey ? 10 : 1), degree = 111320;
    put(L.latLng(at.lat + step[1] * metres / degree, at.lng + step[0] * metres / (degree * Math.cos(at.lat * Math.PI / 180))));
  });

  /* the height of the mount that the page opens on is that one's own: the next spot has its usual height */
  function leave() {
    if (state.height === null) return;
    state.height = null;
    by("usual").checked = true;
  }

  function put(there) {
    at = there;
    leave();
    pin.setLatLng(at);
    if (!map.getBounds().contains(at)) map.panTo(at, { animate: false });
    soon();
  }

  by("height").addEventListener("input", function () {
    by("usual").checked = false;
    state.height = null;
    if (Number(by("height").value) > 0) soon();
  });
  by("usual").addEventListener("change", function () { state.height = null; soon(); });

  /* --- changes over the map --- */

  const over = L.layerGroup().addTo(map), drawing = L.layerGroup().addTo(map), handles = L.layerGroup().addTo(map);
  const ink = getComputedStyle(document.documentElement).getPropertyValue("--mark").trim();

  function show(drawn) {
    told.state = drawn;
    state.revision = drawn.revision;
    over.clearLayers();
    /* once decided again the server has no more to draw over its map, but this page still shows the map before */
    if (!drawn.map) state.brought = drawn.brought;
    if (drawn.map !== told.map || !drawn.map) state.brought.forEach(function (layer) {
      L.geoJSON({ type: "FeatureCollection", features: layer.shapes.map(function (shape) {
        return { type: "Feature", properties: {}, geometry: shape };
      }) }, { style: { color: ink, weight: 2, fillColor: ink, fillOpacity: 0.15 }, interactive: false }).addTo(over);
    });
    by("anew").hidden = drawn.map === told.map;
    by("stale").hidden = !drawn.stale.length;
    by("stale").textContent = drawn.stale.length ? "Changed on disk since this page was opened: " + drawn.stale.join(", ")
      + ". The page answers by what it read then. To read it anew, save what you tried and start noonmark serve again." : "";
    by("holds").textContent = drawn.holds ? "Saved now, it holds: " + drawn.holds : "";
    table(by("counts"), [["", "Before", "Now"]].concat(drawn.counts), drawn.counts.length);
    list(by("notices"), "What was found on reading the layers", drawn.notices);
    drawn.buildings.forEach(function (one) {
      L.geoJSON(one.shape, { style: { color: ink, weight: 3, fillColor: ink, fillOpacity: 0.25 }, interactive: false })
        .bindTooltip(one.name, { permanent: true, direction: "center" }).addTo(over);
    });
    drawn.trees.forEach(function (one) {
      const style = { color: ink, weight: 3, dashArray: one.times ? null : "3 5", fill: false, interactive: false };
      if (one.shape) L.geoJSON(one.shape, { style: style, interactive: false }).addTo(over);
      else L.circle(one.at, Object.assign(style, { radius: one.r * (one.times || 1) })).addTo(over);
    });
    drawn.controllers.forEach(function (one) {
      if (one.was[0] === one.at[0] && one.was[1] === one.at[1]) return;
      L.polyline([one.was, one.at], { color: ink, weight: 3, dashArray: "6 5", interactive: false }).addTo(over);
      L.circleMarker(one.at, { color: ink, weight: 4, radius: 8, fillColor: "#fff", fillOpacity: 1, interactive: false }).addTo(over);
    });
    by("changes").replaceChildren.apply(by("changes"), drawn.changes.map(function (text) {
      const line = document.createElement("li");
      line.textContent = text;
      return line;
    }));
    by("undo").disabled = !drawn.canUndo;
    by("redo").disabled = !drawn.canRedo;
    by("decide").disabled = !drawn.canUndo && !drawn.canRedo;
    by("decided").replaceChildren();
    const chosen = by("which").value;
    by("which").replaceChildren.apply(by("which"), drawn.controllers.map(function (one) {
      return new Option(one.name, String(one.row));
    }));
    if (chosen) by("which").value = chosen;
    Object.keys(drawn.keys).forEach(function (key) {
      const box = by("keys").elements.namedItem(key);
      if (box && "value" in box && !(box instanceof RadioNodeList)) box.value = drawn.keys[key] === null ? "" : drawn.keys[key];
    });
    drawHandles();
  }

  function table(where, rows, any) {
    where.replaceChildren();
    if (!any) return;
    const made = document.createElement("table");
    made.className = "narrow";
    rows.forEach(function (cells, k) {
      const line = document.createElement("tr");
      cells.forEach(function (text, column) {
        const cell = document.createElement(k ? "td" : "th");
        if (column) cell.className = "number";
        cell.textContent = text;
        line.append(cell);
      });
      made.append(line);
    });
    where.append(made);
  }

  function list(where, heading, lines) {
    where.replaceChildren();
    if (!lines.length) return;
    const fold = document.createElement("details"), head = document.createElement("summary"), ul = document.createElement("ul");
    head.textContent = heading + " (" + lines.length + ")";
    ul.className = "plain-list";
    lines.forEach(function (text) {
      const line = document.createElement("li");
      line.textContent = text;
      ul.append(line);
    });
    fold.append(head, ul);
    where.append(fold);
  }

  async function change(question) {
    show(await ask("change", question));
    soon();
  }
  ["undo", "redo"].forEach(function (name) {
    by(name).addEventListener("click", function () {
      quietly(ask(name).then(function (drawn) { show(drawn); soon(); }));
    });
  });

  /* --- tools: one at a time --- */

  const HINTS = {
    draw: "Click the corners of the building", tree: "Click a tree", move: "Drag a controller's square"
  };
  function tool(name) {
    state.mode = state.mode === name ? "" : name;
    ["draw", "tree", "move"].forEach(function (each) {
      by(each).setAttribute("aria-pressed", String(each === state.mode));
      by(each + "-with").hidden = each !== state.mode;
    });
    document.body.classList.toggle("placing", state.mode === "draw" || state.mode === "tree");
    by("hint").textContent = HINTS[state.mode] || "";
    by("hint").hidden = !state.mode;
    state.corners = [];
    outline();
    drawHandles();
  }
  ["draw", "tree", "move"].forEach(function (name) { by(name).addEventListener("click", function () { tool(name); }); });

  function outline() {
    drawing.clearLayers();
    if (!state.corners.length) return;
    L.polyline(state.corners, { color: ink, weight: 3, interactive: false }).addTo(drawing);
    state.corners.forEach(function (corner, k) {
      const mark = L.marker(corner, {
        icon: L.divIcon({ html: '<div class="corner"></div>', className: "mark-place", iconSize: [0, 0] }),
        keyboard: false, alt: "Corner " + (k + 1), zIndexOffset: 5000
      }).addTo(drawing);
      if (k === 0) mark.on("click", finish);
    });
  }

  function finish() {
    if (state.corners.length < 3) return;
    const question = {
      kind: "building", name: by("building-name").value, height_m: Number(by("roof").value) * told.metresPerUnit,
      corners: state.corners.map(function (corner) { return [corner.lng, corner.lat]; })
    };
    quietly(change(question).then(function () { by("building-name").value = ""; tool("draw"); }));
  }
  by("finish").addEventListener("click", finish);
  by("corner").addEventListener("click", function () { state.corners.push(at); outline(); });

  function tree(there) {
    quietly(change({ kind: "tree", lon: there.lng, lat: there.lat, times: Number(by("times").value) }));
  }
  by("tree-here").addEventListener("click", function () { tree(at); });
  function moveTo(row, there) {
    quietly(change({ kind: "controller", row: row, lon: there.lng, lat: there.lat }));
  }
  by("move-here").addEventListener("click", function () { moveTo(Number(by("which").value), at); });

  function drawHandles() {
    handles.clearLayers();
    if (state.mode !== "move") return;
    told.state.controllers.forEach(function (one) {
      const box = document.createElement("div");
      box.className = "handle";
      box.textContent = String.fromCharCode(65 + one.row % 26);
      const handle = L.marker(one.at, {
        icon: L.divIcon({ html: box, className: "mark-place", iconSize: [0, 0] }), draggable: true, title: one.name,
        alt: one.name, zIndexOffset: 6000
      }).addTo(handles);
      handle.on("dragend", function () { moveTo(one.row, handle.getLatLng()); });
    });
  }

  map.on("click", function (event) {
    if (state.mode === "draw") { state.corners.push(event.latlng); outline(); }
    else if (state.mode === "tree") tree(event.latlng);
    else put(event.latlng);
  });
  /* shapes have cards of their own on the map that is handed over; here a click on one is a question about that spot */
  function plain(layer) {
    if (layer.getPopup && layer.getPopup() && !(layer instanceof L.Marker)) layer.unbindPopup();
  }
  map.eachLayer(plain);
  map.on("layeradd", function (event) { plain(event.layer); });
  document.addEventListener("keydown", function (event) {
    if (event.key === "Escape" && state.mode) tool(state.mode);
    if (event.key === "Enter" && state.mode === "draw" && !/^(BUTTON|SUMMARY|A)$/.test(event.target.tagName)) finish();
  });

  /* --- layers that are brought --- */

  let drops = 0;
  async function bring(files) {
    const drop = "d" + Date.now().toString(36) + (drops++).toString(36) + "x", names = [];
    by("try").open = by("bring").open = true;
    by("parts").replaceChildren(note("Reading " + (files.length === 1 ? files[0].name : files.length + " files") + " ..."));
    try {
      for (const file of files) {
        if (file.size > told.mostBytes) {
          say(file.name + ": it is larger than the 100 MB that the page takes. Put it into the plan's folder and name it in the plan, or cut it to the site.");
          continue;
        }
        await send(file, drop);
        names.push(file.name);
      }
    } finally { by("parts").replaceChildren(); }
    if (names.length) await parts(drop, {});
  }

  async function send(file, drop) {
    return answered(await reached(fetch("bring", {
      method: "POST", body: file,
      headers: { "Content-Type": "application/octet-stream", "X-Name": encodeURIComponent(file.name), "X-Drop": drop }
    })));
  }

  /* chosen: by the part's number, what a person said that it is */
  async function parts(drop, chosen) {
    const answer = await ask("told", { drop: drop, chosen: chosen });
    by("parts").replaceChildren.apply(by("parts"), answer.parts.map(function (one, k) { return part(one, k, drop, chosen); }));
    if (!answer.parts.length) by("parts").replaceChildren(note("There is no layer in it."));
    by("parts").scrollIntoView({ block: "nearest" });
  }

  function made(tag, text, kind) {
    const element = document.createElement(tag);
    if (text) element.textContent = text;
    if (kind) element.className = kind;
    return element;
  }

  function select(label, name, choices, value) {
    const outer = made("label", label), box = made("select");
    box.name = name;
    choices.forEach(function (pair, k) { box.append(new Option(pair[1], String(k), false, pair[0] === value)); });
    outer.append(box);
    return outer;
  }

  function wide(label) {
    label.className = "wide";
    return label;
  }

  function part(one, k, drop, chosen) {
    const form = made("form", "", "part"), says = made("ul", "", "plain-list"), fields = made("div", "", "fields");
    const said = Object.assign({}, chosen[k]);
    form.append(made("h3", one.file), made("p", one.taken + "." + (one.there ? " " + one.there : ""), "quiet"));
    one.says.forEach(function (text) { says.append(made("li", text)); });
    form.append(says, fields);
    if (one.kinds.length) {
      const unknown = one.kind ? [] : [["", "choose"]];
      const kinds = unknown.concat(one.kinds);
      const what = select("What it is", "as", kinds, one.kind);
      fields.append(what);
      what.querySelector("select").addEventListener("change", function (event) {
        const kind = kinds[Number(event.target.value)][0];
        if (kind) retell(k, drop, chosen, Object.assign(said, { kind: kind }));
      });
    }
    if (one.asksCrs) {
      const label = made("label", "Coordinate system, for example EPSG:2229"), box = made("input");
      box.name = "system";
      box.maxLength = 40;
      box.value = said.crs || "";
      label.append(box);
      fields.append(label);
      box.addEventListener("change", function () { retell(k, drop, chosen, Object.assign(said, { crs: box.value.trim() })); });
    }
    one.asks.forEach(function (ask) {
      fields.append(select(ask.label, "ask " + ask.key, ask.choices, ask.choices[0][0]), made("p", ask.why, "quiet"));
    });
    if (one.usable && one.has && one.joins) fields.append(wide(select("Those that are there now", "joins", [[false, "go, these take their place"], [true, "stay, these are added"]], false)));
    const use = made("button", "Use this layer", "tool"), leave = made("button", "Leave it", "tool"), buttons = made("div", "", "buttons");
    use.type = "submit";
    use.disabled = !one.usable;
    leave.type = "button";
    leave.addEventListener("click", function () { form.remove(); });
    buttons.append(use, leave);
    form.append(buttons);
    form.addEventListener("submit", function (event) {
      event.preventDefault();
      const answers = {}, joins = form.elements.namedItem("joins");
      one.asks.forEach(function (ask) { answers[ask.key] = ask.choices[Number(form.elements.namedItem("ask " + ask.key).value)][0]; });
      use.disabled = true;
      quietly(change({ kind: "layer", drop: drop, part: k, chosen: chosen, answers: answers, joins: Boolean(joins) && joins.value === "1" })
        .then(function () { form.classList.add("used"); form.replaceChildren(made("p", one.file + ": used. \"Undo\" takes it back; \"Decide again\" judges every mount with it.")); },
          function (fault) { use.disabled = false; throw fault; }));
    });
    return form;
  }
  function retell(k, drop, chosen, said) {
    const next = Object.assign({}, chosen);
    next[k] = said;
    quietly(parts(drop, next));
  }

  by("files").addEventListener("change", function () {
    const files = Array.from(by("files").files);
    by("files").value = "";
    if (files.length) quietly(bring(files));
  });
  const holdsFiles = function (event) { return event.dataTransfer && Array.from(event.dataTransfer.types).includes("Files"); };
  window.addEventListener("dragover", function (event) {
    if (!holdsFiles(event)) return;
    event.preventDefault();
    by("dropping").hidden = false;
  });
  window.addEventListener("dragleave", function (event) { if (!event.relatedTarget) by("dropping").hidden = true; });
  window.addEventListener("drop", function (event) {
    if (!holdsFiles(event)) return;
    event.preventDefault();
    by("dropping").hidden = true;
    quietly(bring(Array.from(event.dataTransfer.files)));
  });

  /* --- the plan's keys --- */

  const usual = new Map();
  function written(form) {
    const found = {}, months = [];
    Array.from(form.elements).forEach(function (box) {
      if (!box.name) return;
      if (box.type === "checkbox") { if (box.checked) months.push(Number(box.value)); }
      else if (box.tagName === "SELECT") found[box.name] = box.value;
      else if (box.value !== "") found[box.name] = Number(box.value);
    });
    found["season.months"] = months;
    return found;
  }
  Object.entries(written(by("keys"))).forEach(function (pair) { usual.set(pair[0], JSON.stringify(pair[1])); });
  by("keys").addEventListener("submit", function (event) {
    event.preventDefault();
    const values = {};
    if (!written(by("keys"))["season.months"].length) {
      say("Irrigation months: choose one or more.");
      return;
    }
    Object.entries(written(by("keys"))).forEach(function (pair) {
      const now = JSON.stringify(pair[1]);
      const set = pair[0] in told.state.keys ? JSON.stringify(told.state.keys[pair[0]]) : usual.get(pair[0]);
      if (now !== set) values[pair[0]] = pair[1];
    });
    if (Object.keys(values).length) quietly(change({ kind: "keys", values: values }));
  });

  /* --- deciding, saving, stopping --- */

  by("decide").addEventListener("click", function () {
    by("decide").disabled = true;
    by("decided").replaceChildren(note("Judging every mount. This takes a few seconds, on a large site minutes ..."));
    quietly(ask("decide").then(function (answer) {
      show(answer);
      table(by("decided"), [["", "Before", "Now"]].concat(answer.compared.map(function (row) {
        return [row.label, row.before, row.now];
      })), true);
      by("decided").querySelectorAll("tr").forEach(function (line, k) {
        if (k && !answer.compared[k - 1].same) line.className = "differs";
        Array.from(line.cells).forEach(function (cell) { cell.className = ""; });
      });
      soon();
    }, function (fault) {
      by("decided").replaceChildren();
      throw fault;
    }).finally(function () { by("decide").disabled = false; }));
  });

  let leaving = false;
  by("redraw").addEventListener("click", function () {
    leaving = true;  // nothing is lost: the session is the server's
    window.location.reload();
  });

  by("save").addEventListener("submit", function (event) {
    event.preventDefault();
    by("saved").textContent = "";
    quietly(ask("save", { name: by("save-name").value }).then(function (answer) {
      show(answer);
      by("saved").textContent = "Saved beside your plan: " + answer.files.join(", ");
    }));
  });

  let sure = false;
  by("stop").addEventListener("click", function () {
    if (told.state.unsaved && !sure) {
      sure = true;
      by("stop").textContent = "Stop it, and lose the changes that are not saved";
      return;
    }
    quietly(ask("stop").then(function () {
      document.querySelectorAll("main button, main input, main select").forEach(function (box) { box.disabled = true; });
      say("The server has stopped. You may close this page.");
    }));
  });
  window.addEventListener("beforeunload", function (event) {
    if (told.state.unsaved && !leaving) event.preventDefault();
  });

  if (told.startHeightM !== null) {
    by("usual").checked = false;
    state.height = told.startHeightM;
    by("height").value = Number((told.startHeightM / told.metresPerUnit).toFixed(1));
  }
  show(told.state);
  quietly(card());
}());
