// Turns the figure of the day in space by finger, mouse or button. It reads places from the figure alone and fetches nothing.
"use strict";
for (const figure of document.querySelectorAll("figure.turns")) {
  const svg = figure.querySelector("svg.space");
  const scale = +svg.dataset.scale, middle = +svg.dataset.middle;
  const {width, height} = svg.viewBox.baseVal;
  let heading = +svg.dataset.heading, tilt = +svg.dataset.tilt;

  const at = ([east, north, up]) => {
    const a = heading * Math.PI / 180, t = tilt * Math.PI / 180;
    const right = east * Math.cos(a) - north * Math.sin(a);
    const ahead = east * Math.sin(a) + north * Math.cos(a);
    const above = (up - middle) * Math.cos(t) + ahead * Math.sin(t);
    return [width / 2 + right * scale, height / 2 - above * scale];
  };

  const elements = [...svg.querySelectorAll("[data-at]")].map(element =>
    [element, element.dataset.at.split(" ").map(place => place.split(",").map(Number))]);

  const turn = (by, lift) => {
    heading = (heading + by + 360) % 360;
    tilt = Math.max(0, Math.min(90, tilt + lift));
    svg.dataset.heading = heading;
    svg.dataset.tilt = tilt;
    for (const [element, places] of elements) {
      const points = places.map(at);
      if (element.tagName === "polyline") {
        element.setAttribute("points", points.map(point => point.map(v => v.toFixed(1)).join(",")).join(" "));
      } else {
        const [x, y] = element.tagName === "circle" ? ["cx", "cy"] : ["x", "y"];
        element.setAttribute(x, points[0][0].toFixed(1));
        element.setAttribute(y, points[0][1].toFixed(1));
      }
    }
  };

  let last = null;
  svg.addEventListener("pointerdown", event => { last = event; svg.setPointerCapture(event.pointerId); });
  svg.addEventListener("pointermove", event => {
    if (last === null) return;
    turn((last.clientX - event.clientX) / 2, (event.clientY - last.clientY) / 2);
    last = event;
  });
  for (const end of ["pointerup", "pointercancel"]) svg.addEventListener(end, () => { last = null; });

  const buttons = figure.querySelector(".turning");
  buttons.hidden = false;
  for (const button of buttons.querySelectorAll("button")) {
    button.addEventListener("click", () => turn(+button.dataset.turn, +button.dataset.lift));
  }
}
