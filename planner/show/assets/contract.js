/* The sites of a contract on a canvas of their own: bins with a count where they lie close, single dots where there
   is room; a search, a filter and a list that go with them. Drawn from packed columns, quick with a hundred thousand.
   Every text reaches the page through textContent or a canvas; nothing here builds HTML from data. */
function drawSites(map, group, tools) {
  "use strict";
  const s = group.sites, n = s.n;
  const BIN = 44;        // pixels: a bin's side
  const ALONE = 1500;    // sites in view up to which each is drawn by itself
  const PAGE = 100;      // rows that the list grows by

  function column(text, Kind) {
    const raw = atob(text), bytes = new Uint8Array(raw.length);
    for (let k = 0; k < raw.length; k++) bytes[k] = raw.charCodeAt(k);
    return new Kind(bytes.buffer);
  }
  const lon = column(s.lon, Int32Array), lat = column(s.lat, Int32Array);
  const zone = column(s.zone, Int16Array), second = column(s.second, Int16Array);
  const p = column(s.p, Uint16Array), pSecond = column(s.pSecond, Uint16Array);
  const month = column(s.month, Int8Array), agree = column(s.agree, Uint8Array), basis = column(s.basis, Uint8Array);
  const peak = column(s.peak, Uint16Array), spread = column(s.spread, Uint16Array), eto = column(s.eto, Uint16Array);
  const flags = column(s.flags, Uint16Array);
  const shownIn = ["lower", "own", "higher"].map(function (key) { return s[key] ? column(s[key], Uint16Array) : null; });
  const look = column(s.look, Uint8Array);
  /* a flag that most sites have sets none of them apart: it is said once, above the list */
  const apart = flags.map(function (bits) { return bits & ~s.commonFlags; });
  const raised = apart.map(function (bits) { let count = 0; for (; bits; bits &= bits - 1) count++; return count; });
  const lowered = s.names.map(function (name) { return name.toLowerCase(); });

  /* places on the world's square of side 1 */
  const x = new Float64Array(n), y = new Float64Array(n);
  for (let k = 0; k < n; k++) {
    const sine = Math.sin(Math.max(-85, Math.min(85, lat[k] / 1e6)) * Math.PI / 180);
    x[k] = lon[k] / 3.6e8 + 0.5;
    y[k] = 0.5 - Math.log((1 + sine) / (1 - sine)) / (4 * Math.PI);
  }

  let fits = new Uint8Array(n).fill(1), chosen = -1, bins = [], dots = [];

  const Layer = L.Layer.extend({
    onAdd: function () {
      this.canvas = L.DomUtil.create("canvas", "leaflet-zoom-hide sites-canvas", map.getPane("overlayPane"));
      this.canvas.style.pointerEvents = "none";
      map.on("moveend zoomend resize viewreset", this.draw, this);
      map.on("click", this.click, this);
      map.on("mousemove", this.hover, this);
      this.draw();
    },
    onRemove: function () {
      this.canvas.remove();
      map.off("moveend zoomend resize viewreset", this.draw, this);
      map.off("click", this.click, this);
      map.off("mousemove", this.hover, this);
    },
    /* the climate's picture, switched on later, would else lie over the sites */
    bringToFront: function () { L.DomUtil.toFront(this.canvas); return this; },
    draw: function () {
      const size = map.getSize(), dense = Math.max(1, window.devicePixelRatio || 1), pad = 0.25;
      const wide = size.x * (1 + 2 * pad), high = size.y * (1 + 2 * pad);
      const origin = map.containerPointToLayerPoint([-size.x * pad, -size.y * pad]);
      L.DomUtil.setPosition(this.canvas, origin);
      this.canvas.width = wide * dense;
      this.canvas.height = high * dense;
      this.canvas.style.width = wide + "px";
      this.canvas.style.height = high + "px";
      const pen = this.canvas.getContext("2d");
      pen.scale(dense, dense);
      const scale = 256 * Math.pow(2, map.getZoom());
      const corner = map.getPixelOrigin().add(origin);
      const left = corner.x / scale, top = corner.y / scale, right = (corner.x + wide) / scale, bottom = (corner.y + high) / scale;
      const here = [];
      for (let k = 0; k < n; k++) {
        if (fits[k] && x[k] >= left && x[k] <= right && y[k] >= top && y[k] <= bottom) here.push(k);
      }
      bins = [];
      dots = [];
      if (here.length <= ALONE) dots = here;
      else {
        /* bins stay where they are while the map moves: they are cut from the world, not from the window */
        const across = new Map();
        here.forEach(function (k) {
          const key = Math.floor(x[k] * scale / BIN) * 1e7 + Math.floor(y[k] * scale / BIN);
          const held = across.get(key);
          if (held) held.push(k); else across.set(key, [k]);
        });
        across.forEach(function (held) {
          if (held.length <= 2) { dots = dots.concat(held); return; }
          const count = new Map();
          let sx = 0, sy = 0, most = held[0];
          held.forEach(function (k) {
            sx += x[k]; sy += y[k];
            count.set(zone[k], (count.get(zone[k]) || 0) + 1);
          });
          held.forEach(function (k) { if (count.get(zone[k]) > count.get(zone[most])) most = k; });
          const r = Math.min(BIN / 2 - 3, 9 + 5 * Math.log10(held.length));
          /* at the sites' middle, but inside its own square, so that no two bins overlap */
          const spot = [sx, sy].map(function (sum) {
            const mean = sum / held.length * scale, low = Math.floor(mean / BIN) * BIN;
            return Math.max(low + r + 1, Math.min(low + BIN - r - 1, mean));
          });
          bins.push({ x: spot[0] - corner.x, y: spot[1] - corner.y, sites: held, zone: zone[most], r: r });
        });
      }
      const radius = Math.max(4, Math.min(7.5, 3 + map.getZoom() * 0.45));
      pen.lineWidth = 1.3;
      pen.strokeStyle = s.ink;
      bins.forEach(function (b) {
        pen.beginPath();
        pen.arc(b.x, b.y, b.r, 0, 7);
        pen.fillStyle = b.zone >= 0 ? s.colours[b.zone] : "#ffffff";
        pen.globalAlpha = 0.93;
        pen.fill();
        pen.globalAlpha = 1;
        pen.stroke();
      });
      pen.font = "600 11px system-ui, sans-serif";
      pen.textAlign = "center";
      pen.textBaseline = "middle";
      bins.forEach(function (b) {
        const text = b.sites.length < 1000 ? String(b.sites.length) : (b.sites.length / 1000).toFixed(b.sites.length < 9950 ? 1 : 0) + "k";
        pen.lineWidth = 3;
        pen.strokeStyle = "#ffffff";
        pen.strokeText(text, b.x, b.y + 0.5);
        pen.fillStyle = s.ink;
        pen.fillText(text, b.x, b.y + 0.5);
      });
      pen.strokeStyle = s.ink;
      pen.lineWidth = 1.3;
      dots = dots.map(function (k) {
        const dot = { k: k, x: x[k] * scale - corner.x, y: y[k] * scale - corner.y };
        pen.beginPath();
        pen.arc(dot.x, dot.y, k === chosen ? radius + 3 : radius, 0, 7);
        pen.fillStyle = zone[k] >= 0 ? s.colours[zone[k]] : "#ffffff";
        pen.setLineDash(zone[k] >= 0 ? [] : [3, 2]);
        pen.fill();
        pen.strokeStyle = look[k] ? s.lookInk : s.ink;
        pen.lineWidth = k === chosen ? 3.4 : look[k] ? 2.6 : 1.3;
        pen.stroke();
        return dot;
      });
      pen.setLineDash([]);
      this.origin = origin;
    },
    at: function (event) {
      const spot = event.layerPoint.subtract(this.origin);
      let best = null, near = 14 * 14;
      dots.forEach(function (d) {
        const away = (d.x - spot.x) * (d.x - spot.x) + (d.y - spot.y) * (d.y - spot.y);
        if (away < near) { near = away; best = d; }
      });
      if (best) return best;
      return bins.find(function (b) { return Math.hypot(b.x - spot.x, b.y - spot.y) <= b.r; }) || null;
    },
    hover: function (event) { map.getContainer().style.cursor = this.at(event) ? "pointer" : ""; },
    click: function (event) {
      const found = this.at(event);
      if (!found) return;
      if (found.sites) {
        let box = null;
        found.sites.forEach(function (k) {
          const at = L.latLng(lat[k] / 1e6, lon[k] / 1e6);
          if (box) box.extend(at); else box = L.latLngBounds(at, at);
        });
        const same = box.getNorthEast().equals(box.getSouthWest());
        if (same || map.getZoom() >= map.getMaxZoom() - 1) open(found.sites[0]);
        else map.fitBounds(box, { padding: [60, 60], maxZoom: map.getZoom() + 4, animate: false });
      } else open(found.k);
    }
  });

  function value(hundredths) { return hundredths === 65535 ? null : hundredths / 100 / s.perUnit; }
  function percent(thousandths) { return Math.round(thousandths / 10) + "%"; }

  function content(k) {
    const unit = tools.data.etoUnit, top = value(peak[k]), wide = value(spread[k]);
    const said = s.flagNames.filter(function (name, bit) { return flags[k] >> bit & 1; }).join("; ");
    const known = zone[k] >= 0;
    const labels = ["Zone to set", "Band", "Probability", "Runner-up", "Peak-month ETo", "Controller would show in the peak month", "Rests on"].concat(s.mountLabels || []);
    const shows = shownIn.map(function (held, which) {
      if (!held || !held[k] || !known) return "";
      const name = s.labels[zone[k] + which - 1];
      return name === undefined ? "" : name + ": " + Math.round(held[k] / 10) + "%";
    }).filter(Boolean).join(", ");
    return {
      labels: labels,
      card: {
        t: s.names[k],
        s: said,
        v: [
          known ? s.labels[zone[k]] : "none",
          known ? s.bands[zone[k]] : top === null ? "" : "the value lies in no band of the table",
          known ? percent(p[k]) : "",
          second[k] >= 0 ? s.labels[second[k]] + ", " + percent(pSecond[k]) : "",
          top === null ? "not known" : top.toFixed(s.digits + 1) + (wide === null ? "" : " ± " + wide.toFixed(s.digits + 1)) + " " + unit +
            (month[k] >= 0 ? " in " + tools.data.months[month[k]] : ""),
          shows,
          s.bases[basis[k]]
        ].concat(s.mountValues ? s.mountValues[k] : []),
        bars: Array.from({ length: 12 }, function (_, m) {
          const v = value(eto[k * 12 + m]);
          return v === null ? null : v.toFixed(s.digits);
        }),
        n: top === null ? "" : "Mean daily ETo by month, " + unit + ". " + (agree[k]
          ? "The ways to a zone agree within their spreads."
          : "The ways to a zone do not agree: trust the first, and check it against a local source.")
      }
    };
  }

  function open(k) {
    chosen = k;
    layer.draw();
    const told = content(k);
    L.popup(tools.popup()).setLatLng([lat[k] / 1e6, lon[k] / 1e6]).setContent(tools.card(told, told.card)).openOn(map);
  }

  const layer = new Layer();

  /* --- the list --- */

  const list = document.getElementById("site-list");
  const search = document.getElementById("site-search");
  const flag = document.getElementById("site-flag");
  const count = document.getElementById("site-count");
  const more = document.getElementById("site-more");
  let rows = [], listed = 0;

  function row(k) {
    const button = tools.make("button", "row-button");
    button.dataset.go = "site-" + k;
    const dot = tools.make("span", "dot");
    dot.style.background = zone[k] >= 0 ? s.colours[zone[k]] : "#ffffff";
    const title = tools.make("span", "row-title");
    title.append(tools.make("bdi", "", s.names[k]));
    const said = s.flagNames.filter(function (name, bit) { return apart[k] >> bit & 1; }).join("; ");
    if (said) title.append(tools.make("small", "", said));
    const end = tools.make("span", "row-value");
    end.append(tools.make("bdi", "", zone[k] >= 0 ? s.labels[zone[k]] : "none"));
    if (zone[k] >= 0) end.append(", " + percent(p[k]));
    button.append(dot, title, end);
    button.addEventListener("click", function () { select(k); });
    const item = tools.make("li");
    item.append(button);
    return item;
  }

  function grow() {
    const next = rows.slice(listed, listed + PAGE);
    list.append.apply(list, next.map(row));
    listed += next.length;
    more.hidden = listed >= rows.length;
  }

  function narrow() {
    const word = search.value.trim().toLowerCase(), bit = flag.value === "" ? -1 : Number(flag.value);
    rows = [];
    fits = new Uint8Array(n);
    for (let k = 0; k < n; k++) {
      if ((bit < 0 || flags[k] >> bit & 1) && lowered[k].includes(word)) { fits[k] = 1; rows.push(k); }
    }
    /* what has most to look at stands first; the sort leaves the rest in the file's order */
    rows.sort(function (a, b) { return raised[b] - raised[a]; });
    list.replaceChildren();
    listed = 0;
    grow();
    count.textContent = rows.length.toLocaleString("en-US") + " of " + n.toLocaleString("en-US") + " sites, most flags first";
    if (map.hasLayer(layer)) layer.draw();
  }

  function select(k) {
    if (!map.hasLayer(layer)) tools.toggle(group.id, true);
    if (window.innerWidth <= 1000) map.getContainer().scrollIntoView({ block: "start" });
    map.setView([lat[k] / 1e6, lon[k] / 1e6], Math.max(map.getZoom(), tools.data.closeZoom), { animate: false });
    map.panBy([-tools.covered() / 2, 0], { animate: false });
    open(k);
  }

  document.querySelectorAll("[data-site]").forEach(function (button) {
    button.addEventListener("click", function () { select(Number(button.dataset.site)); });
  });

  let waiting = 0;
  search.addEventListener("input", function () {
    clearTimeout(waiting);
    waiting = setTimeout(narrow, n > 20000 ? 150 : 0);
  });
  flag.addEventListener("change", narrow);
  more.addEventListener("click", grow);
  narrow();
  return layer;
}
