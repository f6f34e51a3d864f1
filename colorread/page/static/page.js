"use strict";
// Everything works without this file. It sends a photo as soon as it is taken, and says what is going on.

const DARK = 40, BRIGHT = 235, LARGE_BYTES = 40 * 1024 * 1024, SIDE_PX = 96, LEAST_PX = 900, ANSWER_MS = 8000;

async function look(file) {
  // A quick check of a small copy; it only warns, and the photo is sent anyway.
  if (file.size > LARGE_BYTES) return "The photo is over 40 MB; set the camera to a smaller size.";
  let picture;
  try {
    picture = await createImageBitmap(file);
  } catch {
    return "";  // such as HEIC, which not every browser can decode
  }
  if (Math.max(picture.width, picture.height) < LEAST_PX) return "The photo is small; the original reads better.";
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = SIDE_PX;
  const context = canvas.getContext("2d");
  context.drawImage(picture, 0, 0, SIDE_PX, SIDE_PX);
  picture.close();
  const values = context.getImageData(0, 0, SIDE_PX, SIDE_PX).data;
  let sum = 0;
  for (let i = 0; i < values.length; i += 4) sum += (values[i] + values[i + 1] + values[i + 2]) / 3;
  const mean = sum / (values.length / 4);
  if (mean < DARK) return "The photo looks dark; use more light.";
  if (mean > BRIGHT) return "The photo looks overexposed; darken it a little.";
  return "";
}

function prepareOne(form) {
  const hint = form.querySelector(".hint");
  let words = "";
  for (const picker of form.querySelectorAll("input[type=file]")) {
    picker.addEventListener("change", () => {
      const [file] = picker.files;
      if (!file) return;
      // The server takes one photo: the one from the button used.
      form.querySelectorAll("input[type=file]").forEach((other) => { other.disabled = other !== picker; });
      const field = form.querySelector("input[name=modified]") ?? document.createElement("input");
      Object.assign(field, {type: "hidden", name: "modified", value: file.lastModified});
      form.append(field);
      hint.textContent = `Sending ${megabytes(file.size)} MB…`;
      look(file).then((seen) => {
        words = seen;
        if (seen && form.classList.contains("is-sending")) hint.textContent = `${seen} Sending it anyway…`;
      });
      form.requestSubmit();
    });
  }
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (form.classList.contains("is-sending")) return;
    if (form.classList.contains("is-waiting")) hint.textContent = "Sending it again…";
    form.classList.remove("is-waiting");
    form.classList.add("is-sending");
    form.setAttribute("aria-busy", "true");
    // The browser's own error page would lose the photo.
    if (!await fetch("/static/page.js", {method: "HEAD", signal: AbortSignal.timeout?.(ANSWER_MS)}).catch(() => null)) {
      form.classList.replace("is-sending", "is-waiting");
      form.removeAttribute("aria-busy");
      hint.textContent = "The computer that runs the page does not answer. Wake it, check the Wi-Fi, then tap \"Read it\".";
      return;
    }
    form.submit();
    setTimeout(() => { hint.textContent = `${words ? words + " " : ""}Reading the color of the fluid…`; }, 1200);
    setTimeout(() => { hint.textContent = "This is taking longer than usual. Leave the page open."; }, 9000);
  });
}

const megabytes = (bytes) => (bytes / (1024 * 1024)).toFixed(1);
const TRIES = 4, LANES = 2;  // one photo is sent while another is read

function row(name, words) {
  const item = document.createElement("li"), label = document.createElement("b");
  item.className = "row";
  label.textContent = name;
  item.append(label, `: ${words}`);
  return item;
}

async function sendOne(form, file) {
  // Send one of several photos, and return its row in the list.
  if (file.size > LARGE_BYTES) return row(file.name, "Not sent: over 40 MB.");
  const body = new FormData();
  body.append("csrf", form.querySelector("[name=csrf]").value);
  body.append("modified", file.lastModified);
  body.append("photo", file);
  for (let tried = 1; ; tried++) {
    const answer = await fetch(form.action, {method: "POST", body}).catch(() => null);
    const text = await answer?.text().catch(() => null);
    if (text && (answer.status !== 503 || tried === TRIES)) {
      const page = new DOMParser().parseFromString(text, "text/html");
      showCautions(page);
      return page.querySelector("[data-results] li") ?? row(file.name, `Not read. ${(page.querySelector(".todo") ?? page.querySelector("h1"))?.textContent ?? ""}`);
    }
    if (tried === TRIES) return row(file.name, "Not sent: no answer. Choose it again later.");
    await new Promise((done) => setTimeout(done, 1500 * tried));
  }
}

function showCautions(page) {
  const place = document.querySelector("[data-cautions]"), found = page.querySelector(".caution");
  if (!found) return;
  if (!place.querySelector(".caution")) place.replaceChildren(found);
  const list = place.querySelector("ul");
  const known = new Set([...list.children].map((item) => item.textContent));
  for (const item of [...found.querySelectorAll("li")]) if (!known.has(item.textContent)) list.append(item);
}

function prepareSeveral(form) {
  const picker = form.querySelector("input[type=file]"), hint = form.querySelector(".hint");
  const bar = form.querySelector("progress"), list = document.querySelector("[data-results]");
  picker.addEventListener("change", async () => {
    const files = [...picker.files];
    if (!files.length) return;
    let begun = 0, done = 0;
    const tell = () => {
      Object.assign(bar, {hidden: false, max: files.length, value: done});
      hint.textContent = `${done} of ${files.length} photos are done.${done < files.length ? " Leave the page open." : ""}`;
    };
    const lane = async () => {
      while (begun < files.length) {
        list.append(await sendOne(form, files[begun++]));
        done++;
        tell();
      }
    };
    tell();
    form.setAttribute("aria-busy", "true");
    picker.disabled = true;
    await Promise.all(Array.from({length: LANES}, lane));
    picker.value = "";
    picker.disabled = false;
    form.removeAttribute("aria-busy");
  });
}

async function fill(place) {
  // Summarizing the days takes seconds; the camera does not wait for it.
  for (let tried = 0; tried < 60; tried++) {
    await new Promise((done) => setTimeout(done, 700));
    const answer = await fetch(location.href).catch(() => null);
    if (!answer?.ok) continue;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const found = page.querySelector("[data-days=known]");
    if (!found) continue;
    // There is only one verdict: the one from the days replaces the last photo's.
    document.querySelector("[data-now]").replaceWith(page.querySelector("[data-now]"));
    return place.replaceWith(found);
  }
}

// Say what was done only once, not when the phone reloads the page days later; a new reading can still be discarded.
if (/^\?said=(?!kept)/.test(location.search)) history.replaceState(null, "", location.pathname + location.hash);
document.documentElement.classList.add("scripted");
document.querySelectorAll("form[data-photo=one]").forEach(prepareOne);
document.querySelectorAll("form[data-photo=several]").forEach(prepareSeveral);
document.querySelectorAll("form[method=post]:not([data-photo])").forEach((form) => form.addEventListener("submit", (event) => {
  if (form.classList.contains("is-sending")) event.preventDefault();  // a second tap
  form.classList.add("is-sending");
}));
document.querySelectorAll("[data-days=soon]").forEach(fill);
// When the keeper comes back from the result, start with a fresh form.
addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
