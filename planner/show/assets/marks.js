/* Marks that would cover one another are moved apart, each tied to its place by a line; of the words beside them
   those are shown that have room. Sensors and repeaters stay where they are. */
function drawMark(kind, text, beside) {
  "use strict";
  function part(tag, className, words) {
    const element = document.createElement(tag);
    element.className = className;
    if (words) element.textContent = words;
    return element;
  }
  const box = part("div", "mark mark-" + kind);
  box.append(part("span", "mark-sign", text));
  if (beside) box.append(part("span", "mark-beside", beside));
  return box;
}

function spreadMarks(elements) {
  "use strict";
  const GAP = 3, TURNS = 16, RINGS = [0, 22, 32, 44, 58, 74, 92];
  const ORDER = ["sensor", "repeater", "controller", "alternate", "named"];
  const taken = [];

  function meets(box) {
    return taken.some(function (t) {
      return box.left < t.right + GAP && t.left < box.right + GAP && box.top < t.bottom + GAP && t.top < box.bottom + GAP;
    });
  }
  function boxAt(x, y, wide, high) {
    return { left: x - wide / 2, right: x + wide / 2, top: y - high / 2, bottom: y + high / 2 };
  }

  const all = elements.map(function (element) {
    const mark = element.querySelector(".mark"), sign = mark.querySelector(".mark-sign"), words = mark.querySelector(".mark-beside");
    const kind = ORDER.findIndex(function (name) { return mark.classList.contains("mark-" + name); });
    mark.classList.remove("mark-left", "mark-silent");
    const at = L.DomUtil.getPosition(element);
    return {
      element: element, mark: mark, kind: kind, x: at.x, y: at.y, side: sign.offsetWidth,
      wide: words ? words.offsetWidth : 0, high: words ? words.offsetHeight : 0
    };
  });
  all.sort(function (a, b) { return a.kind - b.kind; });
  all.forEach(function (m) {
    const rings = m.kind < 2 ? [0] : RINGS;
    let best = null;
    for (let r = 0; r < rings.length && !best; r++) {
      for (let t = 0; t < (rings[r] ? TURNS : 1) && !best; t++) {
        const turn = t / TURNS * 2 * Math.PI, dx = rings[r] * Math.sin(turn), dy = -rings[r] * Math.cos(turn);
        if (!meets(boxAt(m.x + dx, m.y + dy, m.side, m.side))) best = [dx, dy];
      }
    }
    const [dx, dy] = best || [0, 0];
    m.sign = boxAt(m.x + dx, m.y + dy, m.side, m.side);
    taken.push(m.sign);
    m.mark.style.left = dx + "px";
    m.mark.style.top = dy + "px";
    const old = m.element.querySelector(".mark-tie"), away = Math.hypot(dx, dy);
    if (old) old.remove();
    if (away) {
      const tie = document.createElement("i");
      tie.className = "mark-tie";
      tie.style.width = away + "px";
      tie.style.transform = "rotate(" + Math.atan2(dy, dx) + "rad)";
      m.element.prepend(tie);
    }
  });
  all.forEach(function (m) {
    if (!m.wide) return;
    const y = (m.sign.top + m.sign.bottom) / 2;
    const right = { left: m.sign.right, right: m.sign.right + m.wide, top: y - m.high / 2, bottom: y + m.high / 2 };
    const left = { left: m.sign.left - m.wide, right: m.sign.left, top: right.top, bottom: right.bottom };
    taken.splice(taken.indexOf(m.sign), 1); // words touch their own sign
    const room = !meets(right) ? right : !meets(left) ? left : null;
    taken.push(m.sign);
    if (room) taken.push(room); else m.mark.classList.add("mark-silent");
    if (room === left) m.mark.classList.add("mark-left");
  });
}
