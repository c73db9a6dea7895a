// What paper cannot know: how large the map stands on the screen, so that it is printed as it is seen there.
(() => {
  "use strict";
  function measure() {
    const map = document.querySelector(".map-side .map");
    if (!map || !map.clientWidth || matchMedia("print").matches) return;
    document.documentElement.style.setProperty("--map-wide", map.clientWidth);
    document.documentElement.style.setProperty("--map-tall", map.clientHeight);
  }
  for (const when of ["load", "resize", "beforeprint"]) addEventListener(when, measure);
})();
