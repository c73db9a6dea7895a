/* Draws what Python laid out: groups of features, marks and images, a key that switches them, and cards.
   Every text reaches the page through textContent; nothing here builds HTML from data. */
function drawPlan(map, data) {
  "use strict";
  const touch = window.matchMedia("(pointer: coarse)").matches;
  const renderer = L.canvas({ padding: 0.3, tolerance: touch ? 12 : 4 });
  const shown = new Map();   // group id -> Leaflet layer
  const targets = new Map(); // key of a mark or feature -> { layer, at }
  const tried = [];          // mounts: layer, and what its card says
  let comparison = null;

  function make(tag, className, text) {
    const element = document.createElement(tag);
    if (className) element.className = className;
    if (text !== undefined) element.textContent = text;
    return element;
  }

  /* --- cards --- */

  function card(group, content) {
    const box = make("div", "card");
    box.append(make("h3", "", content.t));
    if (content.s) box.append(make("p", "card-sub", content.s));
    const picture = content.picture && document.getElementById(content.picture);
    if (picture) {
      const copy = picture.cloneNode(true);
      copy.removeAttribute("id"); // one id, one place
      box.append(copy);
    }
    if (content.v && content.v.length) {
      const list = make("dl");
      content.v.forEach(function (value, k) {
        if (value === "") return;
        list.append(make("dt", "", group.labels[k]), make("dd", "", value));
      });
      box.append(list);
    }
    if (content.bars) box.append(bars(content.bars, content.season));
    if (content.n) box.append(make("p", "card-note", content.n));
    (content.lines || []).forEach(function (text) { box.append(make("p", "card-note", text)); });
    if (content.table && content.table.rows.length) box.append(table(content.table));
    if (comparison && tried.some(function (one) { return one.card === content; })) {
      const button = make("button", "link", data.compare.button);
      button.type = "button";
      button.addEventListener("click", function () { comparison.add(content); });
      box.append(button);
    }
    return box;
  }

  function table(content) {
    const box = make("table", "card-table");
    [content.head].concat(content.rows).forEach(function (cells, k) {
      const row = make("tr");
      cells.forEach(function (text, c) { row.append(make(k ? "td" : "th", c ? "number" : "", text)); });
      box.append(row);
    });
    return box;
  }

  function bars(values, season) {
    const space = "http://www.w3.org/2000/svg";
    const svg = document.createElementNS(space, "svg");
    svg.setAttribute("viewBox", "0 0 240 84");
    svg.setAttribute("class", "card-bars");
    svg.setAttribute("role", "img");
    svg.setAttribute("aria-label", "Monthly ETo: " + values.map(function (v, m) {
      return data.months[m] + " " + (v === null ? "not known" : v);
    }).join(", ") + " " + data.etoUnit);
    const most = Math.max.apply(null, values.map(Number)) || 1;
    values.forEach(function (v, m) {
      const tall = Number(v) / most * 54;
      const bar = document.createElementNS(space, "rect");
      bar.setAttribute("x", m * 20 + 2);
      bar.setAttribute("y", 68 - tall);
      bar.setAttribute("width", 16);
      bar.setAttribute("height", tall);
      bar.setAttribute("class", season && !season[m] ? "bar off" : "bar");
      svg.append(bar);
      [[data.months[m][0], 80], [v === null ? "?" : v, 64 - tall]].forEach(function (pair) {
        const text = document.createElementNS(space, "text");
        text.setAttribute("x", m * 20 + 10);
        text.setAttribute("y", pair[1]);
        text.textContent = pair[0];
        svg.append(text);
      });
    });
    return svg;
  }

  function popup() {
    return {
      maxWidth: 300, minWidth: 220, maxHeight: Math.max(180, Math.min(600, map.getSize().y - 70)),
      autoPanPaddingTopLeft: [covered() + 12, 12], autoPanPaddingBottomRight: [map.getSize().x > 640 ? 130 : 12, 12]
    };
  }

  function withCard(layer, group, content) {
    layer.bindPopup(function () {
      Object.assign(layer.getPopup().options, popup()); // as the window is now
      return card(group, content);
    }, popup());
  }

  /* --- a screen set to dark: other colours for lines; paper stays light --- */

  const night = window.matchMedia("screen and (prefers-color-scheme: dark)");
  function dark() { return !!data.tones && night.matches; }
  function tone(colour) { return dark() && data.tones[colour] || colour; }
  function retone() {
    map.getContainer().classList.toggle("map-dark", dark());
    data.groups.forEach(function (group) {
      const layer = shown.get(group.id);
      if (group.image) layer.setOpacity(dark() ? 1 : group.opacity); // as the key's colours, whatever lies beneath
      else if (group.features) layer.eachLayer(function (one) { one.setStyle(styleOf(group, one.feature.properties)); });
    });
    document.querySelectorAll("canvas.swatch").forEach(function (old) { old.replaceWith(swatch(old.item)); });
    resize();
  }

  /* --- fills that differ by pattern as well as by colour --- */

  function pattern(kind, colour) {
    const tile = document.createElement("canvas");
    tile.width = tile.height = 8;
    const pen = tile.getContext("2d");
    pen.strokeStyle = pen.fillStyle = colour;
    pen.lineWidth = 1.4;
    pen.beginPath();
    if (kind === "dots") {
      pen.arc(4, 4, 1.5, 0, 7);
      pen.fill();
    } else {
      pen.moveTo(-2, 10); pen.lineTo(10, -2); pen.moveTo(-2, 2); pen.lineTo(2, -2); pen.moveTo(6, 10); pen.lineTo(10, 6);
      if (kind === "cross") {
        pen.moveTo(-2, -2); pen.lineTo(10, 10); pen.moveTo(6, -2); pen.lineTo(10, 2); pen.moveTo(-2, 6); pen.lineTo(2, 10);
      }
      pen.stroke();
    }
    return pen.createPattern(tile, "repeat");
  }

  function styleOf(group, properties) {
    const style = Object.assign({ renderer: renderer }, group.style, properties.s);
    style.color = tone(style.color);
    if (style.fillColor) style.fillColor = tone(style.fillColor);
    if (properties.f) style.fillColor = properties.f;
    if (group.pattern) style.fillColor = pattern(group.pattern, style.color);
    return style;
  }

  /* --- groups --- */

  function features(group) {
    return L.geoJSON(group.features, {
      style: function (feature) { return styleOf(group, feature.properties); },
      pointToLayer: function (feature, at) {
        const style = styleOf(group, feature.properties);
        return feature.properties.r
          ? L.circle(at, Object.assign(style, { radius: feature.properties.r }))
          : L.circleMarker(at, style);
      },
      onEachFeature: function (feature, layer) {
        if (feature.properties.c) withCard(layer, group, feature.properties.c);
        if (feature.properties.k) targets.set(feature.properties.k, layer);
        if (feature.properties.c && group.mounts) tried.push({ layer: layer, card: feature.properties.c });
      }
    });
  }

  function marks(group) {
    return L.layerGroup(group.marks.map(function (m) {
      const icon = L.divIcon({ html: drawMark(m.kind, m.text, m.beside), className: "mark-place", iconSize: [0, 0] });
      const layer = L.marker(m.at, { icon: icon, title: m.c.t, alt: m.c.t, zIndexOffset: { sensor: 2000, repeater: 1500, controller: 1000 }[m.kind] || 0, autoPanOnFocus: false });
      withCard(layer, group, m.c);
      if (m.k) targets.set(m.k, layer);
      if (/^mount-/.test(m.k || "")) tried.push({ layer: layer, card: m.c, key: m.k });
      return layer;
    }));
  }

  function image(group) {
    return L.imageOverlay(group.image, group.bounds, { opacity: group.opacity, interactive: false, alt: group.name });
  }

  /* a contract's sites have a drawing of their own: contract.js */
  function sites(group) {
    return drawSites(map, group, { data: data, make: make, card: card, popup: popup, toggle: toggle, covered: covered });
  }

  data.groups.forEach(function (group) {
    const layer = group.image ? image(group) : group.marks ? marks(group) : group.sites ? sites(group) : features(group);
    shown.set(group.id, layer);
    if (group.on) layer.addTo(map);
  });

  /* dots shrink with the map, so that they do not run together */
  function resize() {
    const grow = Math.max(0.6, Math.min(1.2, 1 + (map.getZoom() - data.dotZoom) * 0.2)) * (touch ? 1.4 : 1);
    data.groups.forEach(function (group) {
      if (!group.style || !group.style.radius) return;
      shown.get(group.id).eachLayer(function (layer) { layer.setRadius(group.style.radius * grow); });
    });
  }
  map.on("zoomend", resize);

  function spread() {
    const elements = [];
    data.groups.forEach(function (group) {
      if (group.marks) shown.get(group.id).eachLayer(function (layer) { if (layer.getElement()) elements.push(layer.getElement()); });
    });
    spreadMarks(elements);
  }
  map.on("zoomend viewreset", spread);

  function restack() {
    data.groups.forEach(function (group) {
      const layer = shown.get(group.id);
      if (map.hasLayer(layer) && layer.bringToFront) layer.bringToFront();
    });
  }

  function toggle(id, on) {
    const layer = shown.get(id);
    if (on) { layer.addTo(map); restack(); } else { map.removeLayer(layer); }
    spread();
    document.querySelectorAll('input[data-group="' + id + '"]').forEach(function (box) { box.checked = on; });
    document.querySelectorAll('[data-with="' + id + '"]').forEach(function (part) { part.hidden = !on; });
  }

  /* --- the key: what is drawn, and a switch for each --- */

  function swatch(item) {
    if (item.mark) {
      const box = make("span", "swatch swatch-mark");
      box.append(drawMark(item.mark, item.text || ""));
      return box;
    }
    const canvas = make("canvas", "swatch");
    canvas.item = item;
    const dense = Math.max(2, window.devicePixelRatio || 1);
    canvas.width = 24 * dense;
    canvas.height = 16 * dense;
    const pen = canvas.getContext("2d");
    pen.scale(dense, dense);
    pen.beginPath();
    if (item.shape === "line") { pen.moveTo(1, 8); pen.lineTo(23, 8); }
    else if (item.shape === "dot") pen.arc(12, 8, item.size || 5, 0, 7);
    else if (item.shape === "round") pen.ellipse(12, 8, 9, 6.5, 0, 0, 7);
    else pen.rect(2, 2, 20, 12);
    pen.setLineDash((item.dashArray || "").split(" ").filter(Boolean).map(Number));
    if (item.fillColor || item.pattern) {
      pen.globalAlpha = item.fillOpacity === undefined ? 1 : item.fillOpacity;
      pen.fillStyle = item.pattern ? pattern(item.pattern, tone(item.color)) : tone(item.fillColor);
      pen.fill();
      pen.globalAlpha = 1;
    }
    if (item.weight) {
      pen.strokeStyle = tone(item.color);
      pen.lineWidth = item.weight;
      pen.stroke();
    }
    return canvas;
  }

  /* one layer of several images, of which one is shown: light by month */
  function steps(group) {
    const label = make("label", "shade-label", group.ask), select = make("select");
    select.dataset.steps = group.id;
    group.steps.forEach(function (step, k) {
      const option = make("option", "", step.name);
      option.value = k;
      select.append(option);
    });
    select.addEventListener("change", function () { shown.get(group.id).setUrl(group.steps[select.value].image || group.image); });
    label.append(select);
    return label;
  }

  function ramp(item) {
    const box = make("div", "ramp");
    const bar = make("span", "ramp-bar");
    bar.style.backgroundImage = "linear-gradient(to right," + item.colors.join(",") + ")";
    box.append(make("span", "", item.low), bar, make("span", "", item.high));
    return box;
  }

  function key() {
    const box = make("details", "key");
    box.open = window.innerWidth > 720;
    box.append(make("summary", "", "Key and layers"));
    const list = make("div", "key-list");
    data.groups.filter(function (group) { return group.name; }).reverse().forEach(function (group) { // as they lie, the topmost first
      const row = make("label", "key-row");
      const input = make("input");
      input.type = "checkbox";
      input.checked = group.on;
      input.dataset.group = group.id;
      input.addEventListener("change", function () { toggle(group.id, input.checked); });
      row.append(input, group.key ? swatch(group.key) : make("span", "swatch"), make("span", "key-name", group.name));
      list.append(row);
      const rest = make("div", "key-more");
      rest.dataset.with = group.id;
      rest.hidden = !group.on;
      if (group.steps) rest.append(steps(group));
      if (group.ramp) rest.append(ramp(group.ramp));
      (group.classes || []).forEach(function (item) {
        const line = make("div", "key-class");
        line.append(swatch(item), make("span", "", item.name));
        rest.append(line);
      });
      if (rest.childNodes.length) list.append(rest);
    });
    if (data.solids) list.append(shadeRow(map, data.solids, make));
    (data.credits || []).forEach(function (text) { list.append(make("p", "key-credit", text)); });
    box.append(list);
    L.DomEvent.disableClickPropagation(box);
    L.DomEvent.disableScrollPropagation(box);
    return box;
  }

  const KeyControl = L.Control.extend({ options: { position: "bottomleft" }, onAdd: key });
  const NorthControl = L.Control.extend({
    options: { position: "topright" },
    onAdd: function () {
      const box = make("div", "north");
      box.append(make("span", "north-arrow", "▲"), make("span", "", "N"));
      box.title = "North is up";
      return box;
    }
  });
  map.addControl(new NorthControl());
  map.addControl(new KeyControl());
  L.control.scale({ position: "bottomright", metric: data.units !== "us", imperial: data.units === "us", maxWidth: 140 }).addTo(map);

  /* --- why not here: a click where nothing is, or a right click or long press anywhere --- */

  function spot(at) {
    const words = data.spot, box = make("div", "card");
    const x = at.lng.toFixed(7), y = at.lat.toFixed(7);
    box.append(make("h3", "", words.title), make("p", "card-sub", at.lat.toFixed(6) + ", " + at.lng.toFixed(6)));
    let best = null, far = Infinity;
    tried.forEach(function (one) {
      const d = map.distance(at, one.layer.getLatLng());
      if (d < far) { far = d; best = one; }
    });
    if (best) {
      const unit = data.units === "us" ? far / 0.3048 : far;
      box.append(make("p", "card-note", words.nearest.replace("{far}", Math.round(unit) + " " + words.unit)));
      box.append(make("p", "", best.card.t), make("p", "card-sub", best.card.n || best.card.s));
      const show = make("button", "link", words.show);
      show.type = "button";
      show.addEventListener("click", function () { reveal(best.layer); });
      box.append(show);
    } else {
      box.append(make("p", "card-note", words.none));
    }
    box.append(make("p", "card-note", words.add));
    const lines = make("pre", "spot-lines", words.lines.replace("{x}", x).replace("{y}", y));
    lines.tabIndex = 0;
    const copy = make("button", "link", words.copy);
    copy.type = "button";
    copy.addEventListener("click", function () {
      window.getSelection().selectAllChildren(lines);
      if (document.execCommand("copy")) copy.textContent = words.copied; // the way that a page from disk may
    });
    box.append(lines, copy);
    return box;
  }
  if (data.spot) {
    const ask = function (event) { L.popup(popup()).setLatLng(event.latlng).setContent(spot(event.latlng)).openOn(map); };
    map.on("click", ask);
    map.on("contextmenu", ask);
  }

  /* --- the same in 3-D, over the map --- */

  if (data.solids) {
    const SolidControl = L.Control.extend({
      options: { position: "topright" },
      onAdd: function () {
        const button = make("button", "solid-open", data.solids.words.open);
        let view = null;
        button.type = "button";
        button.addEventListener("click", function () {
          view = view || solidView(map.getContainer().parentElement, data.solids);
          view.open(button);
        });
        L.DomEvent.disableClickPropagation(button);
        return button;
      }
    });
    map.addControl(new SolidControl());
  }

  /* --- the panel beside the map --- */

  function go(name) {
    const layer = targets.get(name);
    if (layer) reveal(layer);
  }

  function reveal(layer) {
    data.groups.forEach(function (group) {
      const held = shown.get(group.id);
      if (held.hasLayer && held.hasLayer(layer) && !map.hasLayer(held)) toggle(group.id, true);
    });
    const at = layer.getLatLng ? layer.getLatLng() : layer.getBounds().getCenter();
    if (window.innerWidth <= 1000) map.getContainer().scrollIntoView({ block: "start" });
    map.setView(at, Math.max(map.getZoom(), data.closeZoom), { animate: false });
    map.panBy([-covered() / 2, 0], { animate: false });
    layer.openPopup();
  }

  document.querySelectorAll("[data-go]").forEach(function (button) {
    button.addEventListener("click", function () { go(button.dataset.go); });
  });
  document.querySelectorAll("[data-fit]").forEach(function (button) {
    button.addEventListener("click", function () {
      const group = data.groups.find(function (g) { return g.id === button.dataset.fit; });
      toggle(group.id, true);
      map.fitBounds(group.bounds);
      if (window.innerWidth <= 1000) map.getContainer().scrollIntoView({ block: "start" });
    });
  });

  const beside = document.getElementById("compare-holder");
  if (beside && tried.length > 1) comparison = drawComparison(beside, tried.slice().reverse(), data.compare.labels, data.compare, make, reveal);

  /* a link of the contents opens the part that it leads to */
  document.querySelectorAll(".contents a").forEach(function (link) {
    link.addEventListener("click", function () {
      const part = document.querySelector(link.getAttribute("href"));
      if (part && part.tagName === "DETAILS") part.open = true;
    });
  });

  map.on("popupopen", function () { // a card takes a phone's whole width
    if (map.getSize().x <= 640) map.getContainer().querySelector(".key").open = false;
  });

  /* the key covers the left of the map: open on what the rest of it shows */
  function covered() {
    const box = map.getContainer().querySelector(".key");
    return box && box.open && map.getSize().x > 640 ? box.offsetWidth + 10 : 0;
  }
  function fit() {
    const narrow = map.getSize().x <= 640; // there the buttons lie over the map's top
    map.fitBounds(data.bounds, {
      paddingTopLeft: [narrow ? 14 : covered() + 34, narrow && data.solids ? 92 : 22],
      paddingBottomRight: [narrow ? 14 : 46, narrow ? 44 : 34], animate: false
    });
  }
  fit();
  spread();
  retone();
  if (data.tones) night.addEventListener("change", retone);
  /* a window of another size, or a phone turned round: all is shown again, unless somebody has looked elsewhere */
  let touched = false;
  ["pointerdown", "wheel", "keydown"].forEach(function (what) {
    map.getContainer().addEventListener(what, function () { touched = true; }, { passive: true });
  });
  window.addEventListener("resize", function () {
    map.invalidateSize();
    if (!touched) fit();
    spread();
  });
  L.DomEvent.on(window, "load", function () { map.invalidateSize(); fit(); spread(); });
}
