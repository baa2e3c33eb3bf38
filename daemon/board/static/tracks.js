// Several things over one time axis, a track each, with what is allowed of it: broken lines.

import { el } from "./dom.js";
import { curve, drawing, footLabels, percent } from "./panel.js";
import { svg } from "./shapes.js";
import { clockTime } from "./words.js";

const ROOM = 0.15; // of the range, above and below
const HEADROOM = 1.25; // times the limit of a share
const MARKS = { failed: "M0-5 5 4H-5Z", invalid: "M-4-10 4-2M-4-2 4-10" };

// tracks: [{name, more, allowed, newest, doubt, low, high, points: [{at, um, result, half}]}]; `low` and
// `high` may be null, `half` is a value's doubt either way: a track that has it is a line with a band.
// `more` and `doubt` are for whoever stands near.
export function drawTracks(tracks) {
  const times = tracks.flatMap((track) => track.points.map((point) => Date.parse(point.at)));
  const [first, last] = [Math.min(...times), Math.max(...times)];
  const x = (point) => (last === first ? 50 : (100 * (Date.parse(point.at) - first)) / (last - first));
  const ends = [{ at: 0, text: clockTime(new Date(first)) }];
  if (last > first) ends.push({ at: 100, text: clockTime(new Date(last)) });
  return [...tracks.map((track) => drawTrack(track, x)), footLabels(ends)];
}

function drawTrack(track, x) {
  const isShare = track.points.some((point) => point.half !== undefined);
  const [bottom, top] = isShare ? shareRange(track) : checkRange(track);
  const y = (value) => 100 * (1 - (Math.min(Math.max(value, bottom), top) - bottom) / (top - bottom));
  const limits = [track.low, track.high].filter((limit) => limit !== null);
  const lines = limits.map((limit) => level(y(limit), "limit"));
  const base = bottom <= 0 ? [level(y(0), "base")] : [];
  const marks = isShare ? share(track, x, y) : track.points.map((point) => mark(point, x, y));
  const band = isShare ? [doubt(track.points, x, y)] : [];
  const named = el("p", "track-name", el("span", "what", track.name), el("span", "by", track.more), " ", el("span", "allowed", track.allowed));
  const newest = el("p", "newest", track.newest, el("span", "by", track.doubt));
  return el("div", "track", named, newest, el("div", "track-plot", drawing(...band, ...base, ...lines, ...marks)));
}

const level = (y, className) => svg("line", { x1: "0", x2: "100%", y1: percent(y), y2: percent(y), class: className });

function shareRange({ high, points }) {
  return [0, HEADROOM * Math.max(high ?? 0, ...points.map((point) => point.um)) || 1];
}

// What lies far out is drawn at the edge: it would flatten all else.
function checkRange({ low, high, points }) {
  const values = points.map((point) => point.um).filter((value) => value !== null);
  const most = (high ?? Math.max(...values.map(Math.abs), 0)) || 1;
  const least = low ?? (values.some((value) => value < 0) ? -most : 0);
  const band = most - least;
  const bottom = low === null && least === 0 ? 0 : Math.max(Math.min(least, ...values), least - band);
  const top = Math.min(Math.max(most, ...values), most + band);
  const room = ROOM * (top - bottom);
  return [bottom === 0 && least === 0 ? 0 : bottom - room, top + room];
}

function mark({ at, um: value, result }, x, y) {
  const cx = percent(x({ at }));
  if (result === "good") return svg("circle", { cx, cy: percent(y(value)), class: "point within" });
  const cy = percent(value === null ? 100 : y(value));
  const kind = result === "failed" ? "beyond" : "invalid";
  return svg("svg", { x: cx, y: cy, class: "at" }, svg("path", { d: MARKS[result] ?? MARKS.invalid, class: `point ${kind}` }));
}

function doubt(points, x, y) {
  const upper = points.map((point) => [x(point), y(point.um + point.half)]);
  const lower = points.map((point) => [x(point), y(point.um - point.half)]);
  return curve([...upper, ...lower.reverse()], "doubt");
}

// A single point is no line yet.
function share({ points }, x, y) {
  if (points.length > 1) return [curve(points.map((point) => [x(point), y(point.um)]), "curve")];
  return [svg("circle", { cx: percent(x(points[0])), cy: percent(y(points[0].um)), class: "point within" })];
}
