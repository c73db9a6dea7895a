/* The sun of a day and hour over one place, and the ground that it shines on. Used by every view that casts shadows.
   Astronomical Almanac's low-precision formulas, refraction as in NREL's SPA. Angles in degrees at the face. */
function sunOver(data) {
  "use strict";
  const DAYS = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
  const rad = Math.PI / 180;

  function monthOf(day) {
    let m = 0, left = day;
    while (left > DAYS[m]) left -= DAYS[m++];
    return { month: m, date: left };
  }
  function middleOf(month) { return DAYS.slice(0, month).reduce(function (a, b) { return a + b; }, 0) + 15; }

  /* hours of true solar time from those that people read; the same where no time zone is known */
  function solar(day, hour) { return data.clock_ahead ? hour - data.clock_ahead[monthOf(day).month] : hour; }

  /* hour: of true solar time */
  function at(day, hour) {
    const n = 9130.5 + day + hour / 24 - data.longitude / 360; // days from J2000.0 to an hour of a day of 2025
    const g = (357.528 + 0.9856003 * n) * rad;
    const along = (280.46 + 0.9856474 * n + 1.915 * Math.sin(g) + 0.02 * Math.sin(2 * g)) * rad;
    const tilt = (23.439 - 4e-7 * n) * rad;
    const declination = Math.asin(Math.sin(tilt) * Math.sin(along));
    const lat = data.latitude * rad, turn = (hour - 12) * 15 * rad;
    const east = -Math.cos(declination) * Math.sin(turn);
    const north = Math.cos(lat) * Math.sin(declination) - Math.sin(lat) * Math.cos(declination) * Math.cos(turn);
    const up = Math.sin(lat) * Math.sin(declination) + Math.cos(lat) * Math.cos(declination) * Math.cos(turn);
    let elevation = Math.asin(up) / rad;
    if (elevation > -0.8333) elevation += 1.02 / Math.tan((elevation + 10.3 / (elevation + 5.11)) * rad) / 60;
    const azimuth = (Math.atan2(east, north) / rad + 360) % 360;
    const e = elevation * rad, a = azimuth * rad;
    return {
      elevation: elevation, azimuth: azimuth,
      to: [Math.sin(a) * Math.cos(e), Math.cos(a) * Math.cos(e), Math.sin(e)]
    };
  }

  function said(hour) { return data.words.quarters[Math.round(4 * hour) % 96]; }
  return { monthOf: monthOf, middleOf: middleOf, solar: solar, at: at, said: said };
}

/* Height of the ground at a place, between the corners of the page's own grid; 0 without one. */
function groundOf(data) {
  "use strict";
  const g = data.ground;
  if (!g) return function () { return 0; };
  const count = Math.round(Math.sqrt(g.z.length)), step = g.side / (count - 1);
  function z(i, j) { return g.z[i * count + j] / 100; }
  return function (xy) {
    const c = Math.max(0, Math.min(count - 1.001, (xy[0] - g.left) / step));
    const r = Math.max(0, Math.min(count - 1.001, (xy[1] - g.bottom) / step));
    const c0 = Math.floor(c), r0 = Math.floor(r), u = c - c0, v = r - r0;
    // as the triangles lie: cut from the lower left corner to the upper right
    return u > v
      ? z(r0, c0) + u * (z(r0, c0 + 1) - z(r0, c0)) + v * (z(r0 + 1, c0 + 1) - z(r0, c0 + 1))
      : z(r0, c0) + v * (z(r0 + 1, c0) - z(r0, c0)) + u * (z(r0 + 1, c0 + 1) - z(r0 + 1, c0));
  };
}
