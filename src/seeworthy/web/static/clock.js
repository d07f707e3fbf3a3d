"use strict";
// The bench clock. The line CODE is equal to targets/clock_code.py (a test compares them).
const CODE = {"bits": 20, "countMs": 192, "rateBits": 5, "rates": [0, 24, 25, 30, 40, 48, 50, 60, 72, 75, 80, 85, 90, 96, 100, 110, 120, 144, 150, 160, 165, 170, 175, 180, 200, 220, 240, 260, 280, 300, 330, 360], "width": 32.0, "height": 18.0, "share": 0.78, "marker": 4.2, "markers": [[0.6, 0.6, "0101011110110010"], [27.2, 0.6, "0000100010101110"], [27.2, 13.2, "0000010011111111"], [0.6, 13.2, "0011001010001100"]], "cells": [6.0, 2.7, 20.0, 1.1], "sweeps": [[6.0, 0.6, 20.0, 1.6], [6.0, 5.4, 20.0, 6.6], [6.0, 15.8, 20.0, 1.6]], "pad": 0.5, "bar": 0.041667, "flash": [6.0, 12.5, 20.0, 2.8], "flashMs": 50};
const RANGE = CODE.countMs * 2 ** CODE.bits;
const WHITE = "#ebebeb", BLACK = "#0a0a0a", CALM = "#808080";
const canvas = document.getElementById("clock");
const pen = canvas.getContext("2d", { alpha: false });
// "?at=MS" holds the clock at one time, for tests.
const asked = new URLSearchParams(location.search), still = asked.get("at");
const state = { flash: false, audio: null, beeps: false, nextBeep: 0, tone: null, lock: null, stamps: [], rate: CODE.rates.indexOf(Number(asked.get("hz"))) };
if (state.rate < 0) state.rate = 0;

function fit() {
  const ratio = window.devicePixelRatio || 1;
  const width = Math.round(canvas.clientWidth * ratio), height = Math.round(canvas.clientHeight * ratio);
  if (width !== canvas.width) canvas.width = width;
  if (height !== canvas.height) canvas.height = height;
  if (still !== null) draw(Number(still) % RANGE);
}

// Long side of the layout along the long side of the screen.
function place() {
  const upright = canvas.height > canvas.width;
  const long = upright ? canvas.height : canvas.width, short = upright ? canvas.width : canvas.height;
  const unit = CODE.share * Math.min(long / CODE.width, short / CODE.height);
  pen.setTransform(1, 0, 0, 1, 0, 0);
  pen.fillStyle = WHITE;
  pen.fillRect(0, 0, canvas.width, canvas.height);
  pen.translate(canvas.width / 2, canvas.height / 2);
  if (upright) pen.rotate(Math.PI / 2);
  pen.scale(unit, unit);
  pen.translate(-CODE.width / 2, -CODE.height / 2);
}

function box(x, y, w, h, colour) { pen.fillStyle = colour; pen.fillRect(x, y, w, h); }

function marks() {
  const module = CODE.marker / 6;
  for (const [x, y, pattern] of CODE.markers) {
    box(x, y, CODE.marker, CODE.marker, BLACK);
    for (let i = 0; i < 16; i += 1) {
      if (pattern[i] === "1") box(x + (1 + i % 4) * module, y + (1 + Math.floor(i / 4)) * module, module * 1.01, module * 1.01, WHITE);
    }
  }
}

// Count in Gray code, then the rate in plain binary; the complement of every cell below it.
function cells(t) {
  const [x, y, w, h] = CODE.cells, n = CODE.bits + CODE.rateBits, cell = w / n, k = Math.floor(t / CODE.countMs);
  const code = (k ^ (k >> 1)) * 2 ** CODE.rateBits + state.rate;
  for (let i = 0; i < n; i += 1) {
    const on = Math.floor(code / 2 ** (n - 1 - i)) % 2;
    box(x + i * cell, y, cell * 1.01, h, on ? WHITE : BLACK);
    box(x + i * cell, y + h, cell * 1.01, h, on ? BLACK : WHITE);
  }
}

function sweeps(t) {
  const period = 2 * CODE.countMs, from = (t % period) / period - CODE.bar / 2;
  for (const [x, y, w, h] of CODE.sweeps) {
    const way = w - 2 * CODE.pad;
    box(x, y, w, h, BLACK);
    for (const turn of [-1, 0, 1]) {
      const left = Math.max(0, from + turn), right = Math.min(1, from + turn + CODE.bar);
      if (right > left) box(x + CODE.pad + left * way, y, (right - left) * way, h, WHITE);
    }
  }
}

// For people, and for them only: whole seconds, so that nothing small flickers.
function words(t) {
  const s = Math.floor(t / 1000), two = (n) => String(n).padStart(2, "0");
  pen.fillStyle = BLACK;
  pen.font = "1.4px monospace";
  pen.textAlign = "center";
  pen.fillText(`${two(Math.floor(s / 3600))}:${two(Math.floor(s / 60) % 60)}:${two(s % 60)}`, CODE.width / 2, CODE.height + 1.5);
}

function draw(t) {
  place();
  marks();
  cells(t);
  sweeps(t);
  words(t);
  const on = state.flash && t % 1000 < CODE.flashMs;
  box(...CODE.flash, state.flash ? (on ? WHITE : BLACK) : CALM);
}

// How often the screen is updated: the middle one of the last steps, the nearest usual rate.
function rate(stamp) {
  state.stamps.push(stamp);
  if (state.stamps.length < 120) return;
  const steps = state.stamps.slice(1).map((s, i) => s - state.stamps[i]).sort((a, b) => a - b);
  const hertz = 1000 / steps[Math.floor(steps.length / 2)];
  state.stamps = [];
  let best = 0;
  for (let i = 1; i < CODE.rates.length; i += 1) if (Math.abs(CODE.rates[i] / hertz - 1) < Math.abs(CODE.rates[best] / hertz - 1)) best = i;
  state.rate = Math.abs(CODE.rates[best] / hertz - 1) < 0.03 ? best : 0;
}

// Of the screen update that is being drawn; parts of a millisecond are shown by the sweep.
function clockTime(stamp) { return (performance.timeOrigin + stamp) % RANGE; }

// A beep for every whole second of the clock, put ahead of time on the clock of the sound.
function beeps(stamp) {
  if (!state.audio || !state.beeps) return;
  const out = state.audio.getOutputTimestamp ? state.audio.getOutputTimestamp() : null;
  const heard = out && out.performanceTime ? out : { contextTime: state.audio.currentTime, performanceTime: performance.now() };
  const t = clockTime(stamp), next = stamp + (1000 - t % 1000);
  if (next < state.nextBeep + 500) return;
  const start = heard.contextTime + (next - heard.performanceTime) / 1000;
  if (start <= state.audio.currentTime) return;
  state.nextBeep = next;
  sound(1000, start, CODE.flashMs / 1000);
}

function sound(hertz, start, seconds) {
  const source = state.audio.createOscillator(), level = state.audio.createGain();
  level.gain.value = 0.5;
  source.frequency.setValueAtTime(hertz, start);
  source.connect(level).connect(state.audio.destination);
  source.start(start);
  if (seconds) source.stop(start + seconds);
  return source;
}

function wake() {
  if (!state.audio) state.audio = new AudioContext();
  state.audio.resume();
}

function stopTone() { if (state.tone) { state.tone.stop(); state.tone = null; } }

const actions = {
  flash() { state.flash = !state.flash; },
  beep() { wake(); state.beeps = !state.beeps; },
  sweep() {
    wake(); stopTone();
    const start = state.audio.currentTime + 0.2;
    state.tone = sound(20, start, 20);
    state.tone.frequency.exponentialRampToValueAtTime(20000, start + 20);
    state.tone.onended = (event) => { if (state.tone === event.target) state.tone = null; };
  },
  tone() { wake(); if (state.tone) stopTone(); else state.tone = sound(1000, state.audio.currentTime, 0); },
  full() { if (document.fullscreenElement) document.exitFullscreen(); else document.documentElement.requestFullscreen(); },
};

function act(name) {
  actions[name]();
  for (const button of document.querySelectorAll("button[data-act]")) {
    const on = { flash: state.flash, beep: state.beeps, tone: Boolean(state.tone) }[button.dataset.act];
    if (on !== undefined) button.setAttribute("aria-pressed", String(on));
  }
}

async function stayAwake() {
  try { if (navigator.wakeLock && !document.hidden) state.lock = await navigator.wakeLock.request("screen"); } catch { state.lock = null; }
}

function tick(stamp) { rate(stamp); draw(clockTime(stamp)); beeps(stamp); requestAnimationFrame(tick); }

for (const button of document.querySelectorAll("button[data-act]")) button.addEventListener("click", () => act(button.dataset.act));
document.addEventListener("keydown", (event) => {
  const button = document.querySelector(`button[data-key="${event.key.toLowerCase()}"]`);
  if (button && !event.ctrlKey && !event.metaKey && !event.altKey) act(button.dataset.act);
});
document.addEventListener("visibilitychange", stayAwake);
// The element, not the window: what is full screen already sends no resize.
new ResizeObserver(fit).observe(canvas);
window.addEventListener("resize", fit); // a screen with another pixel ratio
fit();
stayAwake();
if (still === null) requestAnimationFrame(tick);
