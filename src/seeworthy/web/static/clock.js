"use strict";
// The bench clock. The line CODE is equal to targets/clock_code.py (a test compares them).
const CODE = {"bits": 21, "countMs": 64, "width": 32.0, "height": 18.0, "share": 0.78, "marker": 4.2, "markers": [[0.6, 0.6, "0101011110110010"], [27.2, 0.6, "0000100010101110"], [27.2, 13.2, "0000010011111111"], [0.6, 13.2, "0011001010001100"]], "cells": [6.0, 1.0, 20.0, 2.0], "sweep": [6.0, 6.5, 20.0, 2.0], "bar": 0.0625, "flash": [6.0, 13.0, 20.0, 4.0], "flashMs": 50};
const RANGE = CODE.countMs * 2 ** CODE.bits;
const WHITE = "#ebebeb", BLACK = "#0a0a0a", CALM = "#808080";
const canvas = document.getElementById("clock");
const pen = canvas.getContext("2d", { alpha: false });
// "?at=MS" holds the clock at one time, for tests.
const still = new URLSearchParams(location.search).get("at");
const state = { flash: false, audio: null, beeps: false, nextBeep: 0, tone: null, lock: null };

function fit() {
  const ratio = window.devicePixelRatio || 1;
  canvas.width = Math.round(canvas.clientWidth * ratio);
  canvas.height = Math.round(canvas.clientHeight * ratio);
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

function count(t) {
  const [x, y, w, h] = CODE.cells, k = Math.floor(t / CODE.countMs), code = k ^ (k >> 1), cell = w / CODE.bits;
  for (let i = 0; i < CODE.bits; i += 1) {
    const on = (code >> (CODE.bits - 1 - i)) & 1;
    box(x + i * cell, y, cell * 1.01, h, on ? WHITE : BLACK);
    box(x + i * cell, y + h, cell * 1.01, h, on ? BLACK : WHITE);
  }
}

function sweep(t) {
  const [x, y, w, h] = CODE.sweep, period = 2 * CODE.countMs, from = (t % period) / period - CODE.bar / 2;
  box(x, y, w, h, BLACK);
  for (const turn of [-1, 0, 1]) {
    const left = Math.max(0, from + turn), right = Math.min(1, from + turn + CODE.bar);
    if (right > left) box(x + left * w, y, (right - left) * w, h, WHITE);
  }
}

function draw(t) {
  place();
  marks();
  count(t);
  sweep(t);
  const on = state.flash && t % 1000 < CODE.flashMs;
  box(...CODE.flash, state.flash ? (on ? WHITE : BLACK) : CALM);
  pen.fillStyle = BLACK;
  pen.font = "2px monospace";
  pen.textAlign = "center";
  pen.fillText((t / 1000).toFixed(3), CODE.width / 2, 11.8);
}

function clockTime(stamp) { return Math.floor(performance.timeOrigin + stamp) % RANGE; }

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

function tick(stamp) { draw(clockTime(stamp)); beeps(stamp); requestAnimationFrame(tick); }

for (const button of document.querySelectorAll("button[data-act]")) button.addEventListener("click", () => act(button.dataset.act));
document.addEventListener("keydown", (event) => {
  const button = document.querySelector(`button[data-key="${event.key.toLowerCase()}"]`);
  if (button && !event.ctrlKey && !event.metaKey && !event.altKey) act(button.dataset.act);
});
document.addEventListener("visibilitychange", stayAwake);
window.addEventListener("resize", fit);
fit();
stayAwake();
if (still === null) requestAnimationFrame(tick);
