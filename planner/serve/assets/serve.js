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
  map.fitBounds(data.bounds, { animate: false });
  drawPlan(map, data);
  document.querySelector(".key").open = window.innerWidth > 1100; // the pin needs room

  const PAUSE_MS = 60;   // while dragging: no more cards than a reader follows
  const state = { revision: told.state.revision, mode: "", corners: [], height: null, asked: 0 };
  let at = L.latLng(told.start.lat, told.start.lon);

  /* --- asking --- */

  async function ask(name, question, signal) {
    let answer;
    try {
      const response = await fetch(name, {
        method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(question || {}), signal: signal
      });
      answer = await response.json();
    } catch (fault) {
      if (fault.name === "AbortError") throw fault;
      answer = { error: { where: "", what: "The server does not answer", todo: "Start it again: noonmark serve" } };
    }
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
      const table = document.createElement("table"), again = document.createElement("button");
      table.className = "narrow";
      [["", "Before", "Now"]].concat(answer.compared.map(function (row) { return [row.label, row.before, row.now]; }))
        .forEach(function (cells, k) {
          const line = document.createElement("tr");
          cells.forEach(function (text) {
            const cell = document.createElement(k ? "td" : "th");
            cell.textContent = text;
            line.append(cell);
          });
          if (k && !answer.compared[k - 1].same) line.className = "differs";
          table.append(line);
        });
      again.type = "button";
      again.className = "tool";
      again.textContent = "Draw the map anew";
      again.addEventListener("click", function () { window.location.reload(); });
      by("decided").replaceChildren(table, again);
      soon();
    }).finally(function () { by("decide").disabled = false; }));
  });

  by("save").addEventListener("submit", function (event) {
    event.preventDefault();
    by("saved").textContent = "";
    quietly(ask("save", { name: by("save-name").value }).then(function (answer) {
      show(answer);
      by("saved").textContent = "Saved beside your plan: " + answer.files.join(", ");
    }));
  });

  by("stop").addEventListener("click", function () {
    quietly(ask("stop").then(function () {
      document.querySelectorAll("main button, main input, main select").forEach(function (box) { box.disabled = true; });
      say("The server has stopped. You may close this page.");
    }));
  });
  window.addEventListener("beforeunload", function (event) {
    if (told.state.unsaved) event.preventDefault();
  });

  if (told.startHeightM !== null) {
    by("usual").checked = false;
    state.height = told.startHeightM;
    by("height").value = Number((told.startHeightM / told.metresPerUnit).toFixed(1));
  }
  show(told.state);
  quietly(card());
}());
