"use strict";
// The page reads without this file too. It asks for what changed, and leaves alone what a person is typing or has focused.
const EVERY_MS = 1500;
const PATIENCE_MS = 8000;
let etag = "";
let timer = 0;
let asking = false;

async function ask() {
  clearTimeout(timer);
  if (asking) return;
  asking = true;
  try {
    const answer = await fetch("/state", {
      cache: "no-store",
      headers: etag ? { "If-None-Match": etag } : {},
      signal: AbortSignal.timeout(PATIENCE_MS),
    });
    if (answer.redirected) location.reload(); // to the PIN: the desk was started anew
    if (answer.status === 200) {
      show(await answer.json());
      etag = answer.headers.get("ETag") || "";
    }
    silence(!(answer.ok || answer.status === 304));
  } catch {
    silence(true);
  }
  asking = false;
  ages();
  timer = setTimeout(ask, EVERY_MS);
}

function silence(there) {
  document.getElementById("silence").hidden = !there;
}

function show(sections) {
  for (const [name, [sum, html]] of Object.entries(sections)) {
    const place = document.querySelector(`[data-live="${name}"]`);
    if (!place || place.dataset.sum === sum) continue;
    place.dataset.sum = sum;
    replace(place, html);
  }
}

// Inputs, opened details and the focus are found again by their ids.
function replace(place, html) {
  const focused = place.contains(document.activeElement) ? document.activeElement.id : "";
  const typed = [...place.querySelectorAll("input[id]")].map((input) => [input.id, input.value]);
  const opened = [...place.querySelectorAll("details[open]")].map((each) => each.id);
  place.innerHTML = html; // escaped by the server; scripts and styles in it would be refused by the page's policy
  for (const [id, value] of typed) {
    const input = document.getElementById(id);
    if (input) input.value = value;
  }
  for (const id of opened) {
    const each = document.getElementById(id);
    if (each) each.open = true;
  }
  if (focused) (document.getElementById(focused) || place.closest("section")).focus();
}

function ages() {
  for (const element of document.querySelectorAll("time[datetime]")) {
    element.dataset.age = ago((Date.now() - Date.parse(element.dateTime)) / 1000);
  }
}

function ago(seconds) {
  if (seconds < 90) return ` (${Math.max(0, Math.round(seconds))} s ago)`;
  if (seconds < 5400) return ` (${Math.round(seconds / 60)} min ago)`;
  return ` (${Math.round(seconds / 3600)} h ago)`;
}

document.addEventListener("visibilitychange", ask);
window.addEventListener("online", ask);
window.addEventListener("pageshow", ask);
ask();
