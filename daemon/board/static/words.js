// What a bench is doing, in words, and how it looks. No DOM here.

// look: run (green), act (blue, somebody must), idle (neutral), warn (yellow), stop (red), none (grey hatched)
const STATES = {
  "coming-up": { look: "idle", shape: "glass", word: "coming up" },
  "master-check": { look: "act", shape: "target", word: "master check" },
  "no-lot": { look: "idle", shape: "box", word: "no lot" },
  clamping: { look: "run", shape: "play", word: "clamping" },
  loosen: { look: "run", shape: "turn", word: "loosen" },
  "put-away": { look: "act", shape: "tray", word: "put away" },
  "order-filled": { look: "act", shape: "check", word: "order filled" },
  sampling: { look: "run", shape: "cells", word: "sampling" },
  blocked: { look: "warn", shape: "triangle", word: "blocked" },
  fault: { look: "stop", shape: "octagon", word: "fault" },
};

const WAITS_FOR = {
  operator: "Operator",
  lead: "Lead",
  indicator: "Indicator",
  service: "Service",
};

const SILENT = {
  stale: { look: "none", shape: "question" },
  cut: { look: "none", shape: "question" },
  unknown: { look: "none", shape: "question", word: "NOT HEARD" },
  offline: { look: "none", shape: "away", word: "OFFLINE" },
  waiting: { look: "wait", shape: "glass", word: "connecting" },
};

export const isLive = (bench) => bench.status?.condition === "live";

// Returns {look, shape, word, link, detail, bin}: what stands in the bench's band.
export function band(bench) {
  const { condition, since } = bench.status;
  if (condition !== "live") return silentBand(condition, since);
  const state = bench.state;
  if (!state) return { ...SILENT.unknown, word: "NO STATE" };
  const known = STATES[state.state] ?? { look: "idle", shape: "question", word: state.state };
  return { ...known, detail: detail(state), bin: state.state === "put-away" ? state.bin : null };
}

function silentBand(condition, since) {
  const silent = SILENT[condition];
  const isSince = condition !== "waiting" && since;
  const isDated = condition !== "waiting" && condition !== "offline" && since;
  return {
    ...silent,
    word: isDated ? "NO DATA" : silent.word,
    link: isSince ? "SINCE" : "",
    detail: isSince ? clockTime(since) : "",
  };
}

function detail(state) {
  if (state.state !== "clamping" || !state.clamping) return "";
  return state.clampings ? `${state.clamping}/${state.clampings}` : String(state.clamping);
}

// Whom the bench waits for, and what he does or why it stands; empty when there is nothing to say.
// The prompt speaks to the operator. A reason that an alarm tells already is not told again.
export function waits(bench) {
  const { state, prompt } = bench;
  if (!state) return { who: "", why: "" };
  const { waits_for: whom, reason } = state;
  const isTold = Boolean(reason) && openAlarms(bench).some(({ text }) => text.includes(reason));
  if (prompt?.text && isTold) return { who: WAITS_FOR.operator, why: prompt.text };
  const [first, second] = whom === "operator" ? [prompt?.text, reason] : [reason, prompt?.text];
  return { who: WAITS_FOR[whom] ?? "", why: first || second || "" };
}

export const needsHelp = (look) => look === "warn" || look === "stop" || look === "none";

// The grade that was ordered (the first, if several); the best one if none was.
export function orderedGrade(lot) {
  if (!lot || !lot.lot) return null;
  return lot.grades.find((grade) => grade.ordered !== null) ?? lot.grades[0] ?? null;
}

// Pieces put away into this bin by what it holds.
export function binCount(lot, bin) {
  if (!lot || !lot.lot) return null;
  if (bin.holds === "hold") return lot.hold;
  if (bin.holds === "nonconforming") return lot.nonconforming;
  return lot.grades.find((grade) => grade.grade === bin.holds)?.put_away ?? null;
}

// Share of the best grade among the pieces measured, with n; and the share measured again.
export function yieldOf(lot) {
  const best = lot?.grades[0];
  if (!best || !lot.measured) return null;
  return {
    grade: name(best.grade),
    share: percent(best.put_away + best.pending, lot.measured),
    n: lot.measured,
    retried: percent(lot.retried, lot.measured),
  };
}

// What a piece takes (median of the last ten) and what demand allows it; parts to be set apart.
export function pace(lot) {
  const taken = lot?.cycle_s_median ?? null;
  const takt = lot?.takt_s ?? null;
  if (taken === null && takt === null) return [];
  const isSlow = taken !== null && takt !== null && taken > takt;
  const asked = takt === null ? "" : `takt ${Math.round(takt)} s`;
  return [taken === null ? "" : `${Math.round(taken)} s a piece`, isSlow ? `slower than ${asked}` : asked].filter(Boolean);
}

// Last good master check and when the next one is due: {texts, isDue}.
export function masterCheck(state) {
  const check = state?.check ?? null;
  if (!check) return { texts: ["master check not told"], isDue: false };
  if (check.level === "off") return { texts: ["no master check asked for"], isDue: false };
  const last = check.last_good ? `checked ${clockTime(check.last_good)}` : "no good check yet";
  const isDue = check.level === "due";
  const pieces = check.pieces_left === null ? "" : `${check.pieces_left} piece${check.pieces_left === 1 ? "" : "s"}`;
  const time = check.minutes_left === null ? "" : lasting(60 * check.minutes_left);
  const left = [pieces, time].filter(Boolean).join(" or ");
  const next = isDue ? "check due" : left ? `next in ${left}` : "";
  return { texts: [last, next, check.held ? `${check.held} held` : ""].filter(Boolean), isDue };
}

// within | lower | beyond | invalid: one clamping against the acceptance limits, best grade first.
export function mark(clamping, grades) {
  if (clamping.tir_um === null || clamping.result === "invalid") return "invalid";
  if (clamping.result === "beyond") return "beyond";
  const best = grades[0];
  return !best || clamping.tir_um <= best.acceptance_um ? "within" : "lower";
}

export const MARKS = {
  within: { sign: "●", text: "within the best grade" },
  lower: { sign: "○", text: "within a lower grade" },
  beyond: { sign: "▲", text: "beyond" },
  invalid: { sign: "✕", text: "invalid" },
};

export const name = (id) => String(id).replaceAll("-", " ");
export const um = (value) => (value === null ? "–" : Number.isInteger(value) ? value.toFixed(1) : String(value));
const percent = (part, whole) => `${Math.round((100 * part) / whole)} %`;
const two = (number) => String(number).padStart(2, "0");

// "10:42" today, "11-24 10:42" else; local time of whoever looks.
export function clockTime(utc, now = new Date()) {
  const at = new Date(utc);
  if (Number.isNaN(at.getTime())) return "?";
  const time = `${two(at.getHours())}:${two(at.getMinutes())}`;
  if (at.toDateString() === now.toDateString()) return time;
  return `${two(at.getMonth() + 1)}-${two(at.getDate())} ${time}`;
}

export function lasting(seconds) {
  const s = Math.max(0, Math.floor(seconds));
  if (s < 60) return `${s} s`;
  if (s < 3600) return `${Math.floor(s / 60)} min`;
  if (s < 86400) return `${Math.floor(s / 3600)} h ${two(Math.floor((s % 3600) / 60))}`;
  return `${Math.floor(s / 86400)} d`;
}

// How many more pieces the order asks for, with the 90 % range; never proof.
export function forecast(lot) {
  const found = lot?.forecast;
  if (!found || !found.missing) return { text: "", isShort: false };
  if (found.short) {
    const text = `Lot runs out: about ${Math.round(found.expected_found)} of ${found.missing} to come`;
    return { text, isShort: true };
  }
  const most = found.pieces_95 === null ? `${found.unmeasured}+` : found.pieces_95;
  return { text: `about ${Math.round(found.expected_pieces)} more (${found.pieces_5 ?? "?"}–${most})`, isShort: false };
}

// Open alarms, those that nobody has answered first, then the newest: {text, isRaised, answer, since, toDo}.
export function openAlarms({ alarms, state }) {
  const told = Object.entries(alarms ?? {}).map(([code, alarm]) => ({
    text: alarm.text || name(code),
    isRaised: alarm.state === "raised",
    answer: answer(alarm),
    since: alarm.since,
    toDo: alarm.to_do ?? "",
  }));
  for (const code of state?.alarms ?? []) {
    if (!alarms?.[code]) told.push({ text: name(code), isRaised: true, answer: "", since: null, toDo: "" });
  }
  const age = ({ since }) => (since ? Date.parse(since) : 0);
  return told.sort((a, b) => Number(b.isRaised) - Number(a.isRaised) || age(b) - age(a));
}

function answer({ state, until }) {
  if (state === "raised") return "";
  return state === "shelved" && until ? `shelved until ${clockTime(until)}` : name(state);
}
