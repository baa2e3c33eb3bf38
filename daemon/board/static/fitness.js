// Whether the bench was fit to judge, over time: master checks, the zero's drift, the holder's share.

import { el } from "./dom.js";
import { table } from "./table.js";
import { drawTracks } from "./tracks.js";
import { clockTime, MARKS, um } from "./words.js";

const SIGNS = { good: MARKS.within.sign, failed: MARKS.beyond.sign, invalid: MARKS.invalid.sign };
const RESULTS = { good: "good", failed: "failed", invalid: "no result" };
const ZERO_UM = 0.01; // a lower limit below this is one against a reading of exactly zero

// Every track there is, what is out of its limits first: where room is short it stays.
export function drawFitness(recent) {
  const tracks = [...checkTracks(recent), ...holderTracks(recent), ...zeroTracks(recent)];
  if (!tracks.length) return null;
  tracks.sort((a, b) => Number(b.isOut) - Number(a.isOut));
  return { chart: drawTracks(tracks), words: [legend(recent, tracks)] };
}

// Readings of one kind, master and position: [[{check, position}]], oldest first.
// A check that was broken off has none.
function byTrack(recent) {
  const found = new Map();
  for (const check of [...(recent?.checks ?? [])].reverse()) {
    for (const position of check.positions) {
      const key = `${check.kind} ${check.master} ${position.position}`;
      if (!found.has(key)) found.set(key, []);
      found.get(key).push({ check, position });
    }
  }
  return [...found.values()];
}

// A position is named where there are several, and the master for whoever stands near.
function titled(what, all, position) {
  const several = new Set(all.map((each) => each.position)).size > 1;
  return several ? `${what} ${position}` : what;
}

function checkTracks(recent) {
  const groups = byTrack(recent);
  const places = groups.map((group) => group[0].position);
  return groups.map((group) => {
    const { check, position } = group.at(-1);
    return {
      name: titled(check.kind, places, position.position),
      more: ` on ${check.master}`,
      newest: position.reading_um === null ? "none" : short(position.reading_um),
      doubt: position.reading_um === null ? "" : ` µm, ${RESULTS[position.result] ?? position.result}`,
      isOut: position.result === "failed",
      allowed: `${good(position)} µm`,
      low: position.low_um < ZERO_UM ? null : position.low_um,
      high: position.high_um,
      points: group.map(({ check: { at }, position: { reading_um, result } }) => ({ at, um: reading_um, result: reading_um === null ? "invalid" : result })),
    };
  });
}

// One track for all masters: on any of them it is the same zero that moved.
function zeroTracks(recent) {
  const most = recent?.zero_drift_um ?? null;
  const isIn = (drift) => most === null || Math.abs(drift) <= most;
  const oldestFirst = [...(recent?.checks ?? [])].reverse();
  const found = oldestFirst.flatMap(({ at, positions }) => positions.map(({ position, drift_um }) => ({ at, position, drift_um })));
  const drifts = found.filter(({ drift_um }) => drift_um !== null);
  return [...new Set(drifts.map(({ position }) => position))].map((place) => {
    const points = drifts.filter(({ position }) => position === place);
    const newest = points.at(-1).drift_um;
    return {
      name: titled("zero drift", drifts, place),
      more: " since the good check before",
      newest: signed(newest, short),
      doubt: " µm",
      isOut: !isIn(newest),
      allowed: most === null ? "no limit" : `± ${um(most)} µm`,
      low: most === null ? null : -most,
      high: most,
      points: points.map(({ at, drift_um }) => ({ at, um: drift_um, result: isIn(drift_um) ? "good" : "failed" })),
    };
  });
}

function holderTracks(recent) {
  const series = (recent?.holder ?? []).filter((each) => each.points.length);
  return series.map(({ position, limit_um, above, points }) => {
    const { share_um, uncertainty_um } = points.at(-1);
    return {
      name: titled("holder’s share", series, position),
      more: "",
      newest: share_um.toFixed(2),
      doubt: ` ± ${uncertainty_um.toFixed(2)} µm${above ? ", above its limit" : ""}`,
      isOut: above,
      allowed: limit_um === null ? "no limit" : `up to ${um(limit_um)} µm`,
      low: null,
      high: limit_um,
      points: points.map((point) => ({ at: point.at, um: point.share_um, half: point.uncertainty_um })),
    };
  });
}

const good = ({ low_um, high_um }) => (low_um < ZERO_UM ? `up to ${um(high_um)}` : `${um(low_um)} to ${um(high_um)}`);
const short = (value) => um(Number(value.toFixed(2))); // the tables have every digit
const signed = (value, told = um) => `${value > 0 ? "+" : value < 0 ? "−" : ""}${told(Math.abs(value))}`;

function legend(recent, tracks) {
  const n = Math.max(0, ...(recent.holder ?? []).map((each) => each.first_clampings));
  const parts = [
    recent.checks?.length ? `${SIGNS.good} good, ${SIGNS.failed} failed, ${SIGNS.invalid} no result` : "",
    tracks.some((track) => track.high !== null) ? "broken line: limit" : "no limit set",
    n ? `holder’s share as TIR, from ${n} first clampings since the holder last left the spindle; its band is about 95 %` : "",
  ];
  return el("p", "legend", parts.filter(Boolean).join("; "));
}

// The same for whoever listens or wants the figures.
export function fitnessTables(recent) {
  const checks = recent?.checks ?? [];
  const shares = (recent?.holder ?? []).flatMap((series) => [...series.points].reverse().map((point) => ({ series, point })));
  const found = [];
  if (checks.length) found.push(checkTable(checks, recent.zero_drift_um ?? null));
  if (shares.length) found.push(shareTable(shares));
  return found;
}

function checkTable(checks, most) {
  const allowed = most === null ? "" : ` The zero may move by ${um(most)} µm.`;
  const rows = checks.map((check) => {
    const each = (value) => check.positions.map((position) => `${check.positions.length > 1 ? `${position.position} ` : ""}${value(position)}`).join(", ") || "–";
    return [
      clockTime(check.at),
      `${check.kind} on ${check.master}`,
      el("span", "", el("span", "sign", SIGNS[check.result] ?? ""), RESULTS[check.result] ?? check.result, check.reason ? `: ${check.reason}` : ""),
      each((position) => `${position.reading_um === null ? "none" : um(position.reading_um)} (${good(position)})`),
      each((position) => (position.drift_um === null ? "–" : signed(position.drift_um))),
    ];
  });
  return table(`Master checks, newest first.${allowed}`, ["At", "Check", "Result", "Reading (good) µm", "Zero drift µm"], rows);
}

function shareTable(shares) {
  const rows = shares.map(({ series, point }) => [
    clockTime(point.at),
    series.position,
    `${um(point.share_um)} ±\u00a0${um(point.uncertainty_um)}`,
    series.limit_um === null ? "none" : um(series.limit_um),
    String(point.number),
  ]);
  return table("Holder’s share of the run-out, newest first.", ["At", "Position", "Share µm, about 95 %", "Limit µm", "First clampings"], rows);
}
