/* Two or three places side by side, point by point, with what decides. `tried`: layer and card of each mount. */
function drawComparison(holder, tried, labels, words, make, show) {
  "use strict";
  const start = words.start.map(function (key) { return tried.findIndex(function (one) { return one.key === key; }); });
  const chosen = [0, 1].map(function (k) { return start[k] >= 0 ? start[k] : k; }).concat([-1]);
  const lists = make("div", "compare-lists"), out = make("div", "compare-out");
  out.setAttribute("aria-live", "polite");
  out.tabIndex = 0;
  out.setAttribute("role", "region");
  out.setAttribute("aria-label", holder.dataset.title);
  const selects = words.choose.map(function (name, slot) {
    const label = make("label", "", name), select = make("select");
    [-1].concat(tried.map(function (_, k) { return k; })).forEach(function (k) {
      if (k < 0 && slot < 2) return;
      const option = make("option", "", k < 0 ? words.none : tried[k].card.t);
      option.value = k;
      select.append(option);
    });
    select.value = chosen[slot];
    select.addEventListener("change", function () { chosen[slot] = Number(select.value); draw(); });
    label.append(select);
    lists.append(label);
    return select;
  });
  holder.append(lists, out);

  function name(card) { return card.t.split(" · ")[0]; }
  function fill(text, values) { return text.replace(/\{(\w+)\}/g, function (_, key) { return values[key]; }); }
  function total(card) { return (card.p || []).reduce(function (a, b) { return a + b; }, 0); }

  function row(table, head, cells, best) {
    const line = make("tr");
    line.append(make("th", "", head));
    line.firstChild.scope = "row";
    cells.forEach(function (text, k) {
      const cell = make("td", "", text);
      if (best && best[k]) {
        cell.className = "compare-best";
        const sign = make("span", "compare-mark", "✓");
        sign.setAttribute("role", "img");
        sign.setAttribute("aria-label", words.best);
        cell.append(" ", sign);
      }
      line.append(cell);
    });
    table.append(line);
  }

  /* the highest of numbers, where they differ */
  function highest(values) {
    const known = values.filter(function (v) { return v !== null; }), most = Math.max.apply(null, known);
    return known.length > 1 && Math.min.apply(null, known) < most ? values.map(function (v) { return v === most; }) : null;
  }

  function draw() {
    const cards = chosen.filter(function (k, at) { return k >= 0 && chosen.indexOf(k) === at; }).map(function (k) { return tried[k].card; });
    out.replaceChildren();
    if (cards.length < 2) { out.append(make("p", "quiet", words.pick)); return; }
    decides(cards).forEach(function (text) { out.append(make("p", "compare-said", text)); });
    const table = make("table", "compare-table"), head = make("tr");
    head.append(make("td"));
    cards.forEach(function (card) {
      const cell = make("th"), button = make("button", "link", card.t);
      cell.scope = "col";
      button.type = "button";
      button.addEventListener("click", function () { show(tried.find(function (one) { return one.card === card; }).layer); });
      cell.append(button);
      head.append(cell);
    });
    table.append(head);
    const scored = cards.filter(function (card) { return (card.p || []).length; });
    row(table, words.verdict, cards.map(function (card) { return card.s; }));
    row(table, words.score, cards.map(function (card) { return card.v[0] || "–"; }), highest(cards.map(function (card) { return (card.p || []).length ? total(card) : null; })));
    if (scored.length) words.parts.forEach(function (part, k) {
      const values = cards.map(function (card) { return (card.p || []).length ? card.p[k] : null; });
      row(table, part, values.map(function (v) { return v === null ? "–" : v.toFixed(1); }), highest(values));
    });
    labels.slice(1).forEach(function (label, k) {
      if (cards.some(function (card) { return card.v[k + 1]; })) row(table, label, cards.map(function (card) { return card.v[k + 1] || "–"; }));
    });
    if (cards.some(function (card) { return card.n; })) row(table, words.why, cards.map(function (card) { return card.n || "–"; }));
    out.append(table);
  }

  function decides(cards) {
    const said = cards.filter(function (card) { return !(card.p || []).length; }).map(function (card) { return fill(words.out, { name: name(card) }); });
    const scored = cards.filter(function (card) { return (card.p || []).length; }).sort(function (a, b) { return total(b) - total(a); });
    scored.slice(1).forEach(function (other) {
      const first = scored[0], gap = total(first) - total(other), both = { first: name(first), other: name(other), gap: gap.toFixed(0) };
      if (gap < 0.5) { said.push(fill(words.even, both)); return; }
      const parts = words.part_names.map(function (part, k) { return { part: part, points: first.p[k] - other.p[k] }; })
        .filter(function (one) { return Math.abs(one.points) >= 0.5; }).sort(function (a, b) { return Math.abs(b.points) - Math.abs(a.points); });
      both.most = parts.map(function (one) {
        return fill(one.points > 0 ? words.gain : words.loss, { points: Math.abs(one.points).toFixed(0), part: one.part });
      }).join(", ");
      said.push(fill(words.leads, both));
    });
    return said;
  }
  draw();

  return {
    /* a card's button: into the first free place, else in place of the last */
    add: function (card) {
      const k = tried.findIndex(function (one) { return one.card === card; });
      if (chosen.indexOf(k) < 0) {
        const slot = chosen.indexOf(-1) >= 0 ? chosen.indexOf(-1) : chosen.length - 1;
        chosen[slot] = k;
        selects[slot].value = k;
      }
      draw();
      holder.closest("details").open = true;
      holder.scrollIntoView({ block: "nearest" });
      out.focus({ preventScroll: true });
    }
  };
}
