/* Shadows on the ground and on roofs at one instant, cell by cell: every ray from a cell's middle towards the sun,
   against the prisms and crowns that the light was computed from. Metres in the site's frame. */
function shadeOver(data) {
  "use strict";
  const MOST = 150000, LEAST_M = 0.4, TOUCH = 0.002; // cells; their side; what counts as touching
  const ground = groundOf(data);
  const [west, south, east, north] = data.shade_box;
  const cell = Math.max(LEAST_M, Math.sqrt((east - west) * (north - south) / MOST));
  const cols = Math.ceil((east - west) / cell), rows = Math.ceil((north - south) / cell);
  const stands = new Float64Array(cols * rows);
  function x(c) { return west + (c + 0.5) * cell; }
  function y(r) { return north - (r + 0.5) * cell; }

  /* prisms as upright triangles, from the roofs of the page's blocks */
  const prisms = data.blocks.map(function (block) {
    const v = block[1], flat = [];
    let low = Infinity, high = -Infinity;
    for (let k = 2; k < v.length; k += 3) { low = Math.min(low, v[k]); high = Math.max(high, v[k]); }
    for (let k = 0; k < v.length; k += 9) {
      const turn = (v[k + 3] - v[k]) * (v[k + 7] - v[k + 1]) - (v[k + 4] - v[k + 1]) * (v[k + 6] - v[k]);
      if (v[k + 2] === high && v[k + 5] === high && v[k + 8] === high && turn > 0) {
        flat.push([v[k], v[k + 1], v[k + 3], v[k + 4], v[k + 6], v[k + 7]].map(function (cm) { return cm / 100; }));
      }
    }
    return { kind: block[0], low: low / 100, high: high / 100, flat: flat };
  });

  /* cells whose middles lie in a box */
  function within(left, bottom, right, top, visit) {
    const c0 = Math.max(0, Math.ceil((left - west) / cell - 0.5)), c1 = Math.min(cols - 1, Math.floor((right - west) / cell - 0.5));
    const r0 = Math.max(0, Math.ceil((north - top) / cell - 0.5)), r1 = Math.min(rows - 1, Math.floor((north - bottom) / cell - 0.5));
    for (let r = r0; r <= r1; r++) for (let c = c0; c <= c1; c++) visit(r * cols + c, x(c), y(r));
  }

  /* where the line from (px, py) along (dx, dy) is inside a triangle that turns left: from, to; from > to: never */
  const span = [0, 0];
  function through(t, px, py, dx, dy) {
    let from = -Infinity, to = Infinity;
    for (let k = 0; k < 6; k += 2) {
      const ax = t[k], ay = t[k + 1], ex = t[(k + 2) % 6] - ax, ey = t[(k + 3) % 6] - ay;
      const off = ex * (py - ay) - ey * (px - ax), rate = ex * dy - ey * dx; // inside where off + rate * s >= 0
      if (Math.abs(rate) < 1e-12) { if (off < 0) { from = 1; to = 0; break; } } else if (rate > 0) from = Math.max(from, -off / rate);
      else to = Math.min(to, -off / rate);
    }
    span[0] = from;
    span[1] = to;
  }

  let lowest = Infinity;
  for (let r = 0; r < rows; r++) for (let c = 0; c < cols; c++) {
    const z = ground([x(c), y(r)]);
    stands[r * cols + c] = z;
    lowest = Math.min(lowest, z);
  }
  prisms.filter(function (p) { return p.kind === "wall"; }).forEach(function (p) {
    p.flat.forEach(function (t) {
      within(Math.min(t[0], t[2], t[4]), Math.min(t[1], t[3], t[5]), Math.max(t[0], t[2], t[4]), Math.max(t[1], t[3], t[5]), function (k, px, py) {
        through(t, px, py, 1, 0);
        if (span[0] <= 0 && span[1] >= 0) stands[k] = Math.max(stands[k], p.high);
      });
    });
  });

  const dark = new Uint8Array(cols * rows), leafy = new Uint8Array(cols * rows), green = new Uint8Array(cols * rows);
  const stamp = new Int32Array(cols * rows);

  /* share of the sun's beam that reaches each cell's middle; sun: as sunOver gives it */
  function light(sun, month) {
    const out = new Float32Array(cols * rows);
    if (sun.elevation <= 0 || behindHills(sun)) return out;
    const flat = Math.hypot(sun.to[0], sun.to[1]), dx = sun.to[0] / flat, dy = sun.to[1] / flat, rise = sun.to[2] / flat;
    [dark, leafy, green, stamp].forEach(function (a) { a.fill(0); });

    prisms.forEach(function (p, number) {
      const count = p.kind === "wall" ? dark : p.kind === "leaf" ? leafy : green, far = Math.max(0, (p.high - lowest) / rise);
      p.flat.forEach(function (t) {
        const xs = [t[0], t[2], t[4]], ys = [t[1], t[3], t[5]];
        const left = Math.min.apply(null, xs), right = Math.max.apply(null, xs), low = Math.min.apply(null, ys), top = Math.max.apply(null, ys);
        within(Math.min(left, left - dx * far), Math.min(low, low - dy * far), Math.max(right, right - dx * far), Math.max(top, top - dy * far), function (k, px, py) {
          if (dark[k] || stamp[k] === number + 1) return;
          through(t, px, py, dx, dy);
          const z = stands[k], from = Math.max(span[0], 0, (p.low - z) / rise), to = Math.min(span[1], (p.high - z) / rise);
          if (to - from > TOUCH) { count[k] += 1; stamp[k] = number + 1; }
        });
      });
    });
    data.crowns.forEach(function (c) {
      const [cx, cy, cz, r, h] = c.map(function (v) { return v / 100; }), count = c[5] ? green : leafy;
      const far = Math.max(0, (cz + h - lowest) / rise);
      within(Math.min(cx, cx - dx * far) - r, Math.min(cy, cy - dy * far) - r, Math.max(cx, cx - dx * far) + r, Math.max(cy, cy - dy * far) + r, function (k, px, py) {
        const qx = (px - cx) / r, qy = (py - cy) / r, qz = (stands[k] - cz) / h, vx = dx / r, vy = dy / r, vz = rise / h;
        const a = vx * vx + vy * vy + vz * vz, b = qx * vx + qy * vy + qz * vz, q = qx * qx + qy * qy + qz * qz - 1;
        const root = b * b - a * q;
        if (root > 0 && -b + Math.sqrt(root) > 0) count[k] += 1;
      });
    });

    const leaf = data.leaf, share = leaf.share[month];
    for (let k = 0; k < out.length; k++) {
      if (dark[k]) continue;
      out[k] = Math.pow(leaf.in_leaf, green[k]) * (share * Math.pow(leaf.in_leaf, leafy[k]) + (1 - share) * Math.pow(leaf.leafless, leafy[k]));
    }
    return out;
  }

  function behindHills(sun) {
    if (!data.hills) return false;
    const at = (sun.azimuth % 360 + 360) % 360, k = Math.floor(at), u = at - k;
    return sun.elevation < (data.hills[k % 360] * (1 - u) + data.hills[(k + 1) % 360] * u) / 100;
  }

  const canvas = document.createElement("canvas");
  canvas.width = cols;
  canvas.height = rows;

  /* draws the shadows of an instant; gives the cells' light, for tests too */
  function draw(sun, month) {
    const found = light(sun, month), pen = canvas.getContext("2d"), picture = pen.createImageData(cols, rows);
    for (let k = 0; k < found.length; k++) {
      picture.data[4 * k] = 22;
      picture.data[4 * k + 1] = 24;
      picture.data[4 * k + 2] = 52;
      picture.data[4 * k + 3] = 150 * (1 - found[k]);
    }
    pen.putImageData(picture, 0, 0);
    return found;
  }

  return { canvas: canvas, draw: draw, behindHills: behindHills, cols: cols, rows: rows, x: x, y: y, stands: stands };
}

/* The row of the key that asks for month and hour, and the picture over the map. */
function shadeRow(map, data, make) {
  "use strict";
  const words = data.words, sky = sunOver(data);
  let shade = null, layer = null;
  const box = make("div", "shade-row"), row = make("label", "key-row"), input = make("input"), more = make("div", "key-more");
  input.type = "checkbox";
  input.dataset.shade = "on";
  const swatch = make("span", "swatch");
  swatch.append(make("span", "shade-swatch"));
  row.append(input, swatch, make("span", "key-name", words.shade));
  const month = make("select"), hour = make("input"), shown = make("output"), told = make("p", "shade-told");
  words.month_names.forEach(function (name, k) {
    const option = make("option", "", name);
    option.value = k;
    month.append(option);
  });
  month.value = 5;
  Object.assign(hour, { type: "range", min: 4, max: 21, step: 0.25, value: 15 });
  told.setAttribute("aria-live", "polite");
  const first = make("label", "shade-label", words.month), second = make("label", "shade-label", words.hour);
  first.append(month);
  second.append(" ", shown, hour);
  more.append(first, second, told);
  more.hidden = true;

  function draw() {
    const day = sky.middleOf(Number(month.value)), at = Number(hour.value), sun = sky.at(day, sky.solar(day, at));
    shown.textContent = sky.said(at);
    hour.setAttribute("aria-valuetext", shown.textContent);
    shade.draw(sun, Number(month.value));
    told.textContent = sun.elevation <= 0 ? words.night : shade.behindHills(sun) ? words.hills
      : words.sun.replace("{elevation}", sun.elevation.toFixed(0)).replace("{azimuth}", sun.azimuth.toFixed(0));
  }
  input.addEventListener("change", function () {
    more.hidden = !input.checked;
    if (!input.checked) { map.removeLayer(layer); return; }
    if (!shade) {
      shade = shadeOver(data);
      const pane = map.createPane("shade");
      pane.style.zIndex = 450; // over what is drawn, under the marks
      pane.style.pointerEvents = "none";
      layer = L.svgOverlay(shade.canvas, data.shade_bounds, { pane: "shade", interactive: false });
      box.shade = shade;
    }
    layer.addTo(map);
    draw();
    more.scrollIntoView({ block: "nearest" });
  });
  [month, hour].forEach(function (part) { part.addEventListener("input", function () { if (shade) draw(); }); });
  box.append(row, more);
  return box;
}
