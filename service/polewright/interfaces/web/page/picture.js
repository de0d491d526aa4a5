// The picture of the error: the pole in the middle, the axis where it points, as one sees it when
// facing the pole. East is right in the north and left in the south.

import { say } from "./language.js";
import { angleSign, angleText } from "./words.js";

const NS = "http://www.w3.org/2000/svg";
const EDGE = 100;
const CONFIDENCE_95 = 2.4477; // radius of 95 % of a two-dimensional normal, in sigmas
const SCALES = [0.5, 1, 2, 3, 5, 10, 20, 30, 60, 120, 180, 300, 600, 1200, 2400, 5400];

function make(parent, name, attributes, text) {
  const element = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== undefined) element.textContent = text;
  parent.append(element);
  return element;
}

/** Axes (sigmas, same unit as given) and direction (rad from x towards y) of an error ellipse. */
export function ellipse(sx, sy, correlation) {
  const xy = correlation * sx * sy;
  const middle = (sx * sx + sy * sy) / 2;
  const spread = Math.hypot((sx * sx - sy * sy) / 2, xy);
  return [Math.sqrt(middle + spread), Math.sqrt(Math.max(0, middle - spread)), 0.5 * Math.atan2(2 * xy, sx * sx - sy * sy)];
}

export class ErrorPicture {
  constructor(svg, words) {
    this.svg = svg;
    this.words = words;
    this.reach = 0;
  }

  /** Choose how much the picture shows; it zooms out at once and in only when that is worth it. */
  zoom(s) {
    const e = s.moving?.turning ? s.moving : s.error;
    const wanted = 1.18 * Math.max(Math.abs(e.d_alt_arcmin), Math.abs(e.d_az_sky_arcmin), 1.5 * (s.goal_arcmin ?? s.tolerance_arcmin));
    const fit = (size) => SCALES.find((one) => one >= size) ?? SCALES.at(-1);
    if (wanted > this.reach || fit(1.3 * wanted) < this.reach) this.reach = fit(wanted);
  }

  draw(s) {
    const svg = this.svg;
    svg.replaceChildren();
    const flip = s.southern ? -1 : 1;
    if (s.error) this.zoom(s);
    const reach = s.error ? this.reach : 60;
    const k = EDGE / reach;
    const at = (east, up) => [flip * east * k, -up * k];

    for (const share of [1, 0.5]) make(svg, "circle", { r: EDGE * share, class: "ring" });
    make(svg, "text", { x: -119, y: -107, class: "scale" }, `◯ ${angleSign(reach)}`);
    make(svg, "path", { d: `M${-EDGE} 0H${EDGE}M0 ${-EDGE}V${EDGE}`, class: "cross" });
    const label = (x, y, text) => make(svg, "text", { x, y, class: "side", "text-anchor": "middle" }, text);
    label(0, -103, say("up"));
    label(0, 110, say("down"));
    label(106, 4, flip > 0 ? say("E") : say("W"));
    label(-106, 4, flip > 0 ? say("W") : say("E"));

    const clip = make(svg, "clipPath", { id: "inside" });
    make(clip, "circle", { r: EDGE });
    const inside = make(svg, "g", { "clip-path": "url(#inside)" });
    const coarse = s.goal_arcmin && s.goal_arcmin > 1.05 * s.tolerance_arcmin;
    if (coarse) make(inside, "circle", { r: s.goal_arcmin * k, class: "goal" });
    make(inside, "circle", { r: Math.max(1.5, s.tolerance_arcmin * k), class: "tolerance" });
    make(inside, "path", { d: "M-5 0H5M0 -5V5", class: "pole" });
    if (!s.error) {
      this.words.textContent = say("No reading yet. The pole is in the middle.");
      return;
    }
    const e = s.moving?.turning ? s.moving : s.error;
    const [x, y] = at(e.d_az_sky_arcmin, e.d_alt_arcmin);
    const points = s.trail.map((point) => at(point.d_az_sky_arcmin, point.d_alt_arcmin));
    if (points.length) make(inside, "polyline", { points: [...points, [x, y]].map((one) => one.map((v) => v.toFixed(2)).join(",")).join(" "), class: "trail" });
    for (const [px, py] of points.slice(0, -1).slice(-40)) make(inside, "circle", { cx: px, cy: py, r: 1.7, class: "past" });

    this.way(inside, s, at, x, y);
    const [a, b, direction] = ellipse(e.sigma_az_sky_arcmin, e.sigma_alt_arcmin, e.correlation);
    const turned = (-flip * direction * 180) / Math.PI;
    const unsettled = e.state !== "settled" && e.state !== "measured";
    make(inside, "ellipse", { rx: Math.max(2.2, CONFIDENCE_95 * a * k), ry: Math.max(2.2, CONFIDENCE_95 * b * k), transform: `translate(${x} ${y}) rotate(${turned})`, class: "doubt" });
    make(inside, "circle", { cx: x, cy: y, r: 4.6, class: unsettled ? "axis unsettled" : "axis" });

    this.words.textContent = [
      say("Dot: the axis, with its 95 % ellipse. Middle: the pole. Ring: the tolerance, {tolerance}.", { tolerance: angleText(s.tolerance_arcmin) }),
      s.southern === null ? "" : s.southern ? say("Seen facing the south pole.") : say("Seen facing the north pole."),
      coarse ? say("Dashed: {goal}, where the first pass ends.", { goal: angleText(s.goal_arcmin) }) : "",
    ].filter(Boolean).join(" ");
  }

  /** The arrow along the one direction that the adjuster in hand moves the axis. */
  way(parent, s, at, x, y) {
    const a = s.advice;
    const heading = a && (a.heading ?? a.action);
    const steps = { raise: [0, 1], lower: [0, -1], east: [1, 0], west: [-1, 0] };
    if (!a || !(heading in steps) || !(a.amount_arcmin > 0)) return;
    const [east, up] = steps[heading].map((one) => one * a.amount_arcmin);
    const [dx, dy] = at(east, up);
    const length = Math.hypot(dx, dy);
    if (length < 9) return;
    const [ux, uy] = [dx / length, dy / length];
    const [tx, ty] = [x + dx, y + dy];
    const [bx, by] = [tx - 8 * ux, ty - 8 * uy];
    make(parent, "path", { d: `M${x + 6 * ux} ${y + 6 * uy}L${bx} ${by}`, class: "way" });
    make(parent, "path", { d: `M${tx} ${ty}L${bx - 5 * uy} ${by + 5 * ux}L${bx + 5 * uy} ${by - 5 * ux}Z`, class: "tip" });
  }
}
