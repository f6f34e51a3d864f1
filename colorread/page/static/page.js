"use strict";
// Everything works without this file; it sends a photo as soon as it is taken, and tells what goes on meanwhile.

const DARK = 40, BRIGHT = 235, LARGE_BYTES = 40 * 1024 * 1024, SIDE_PX = 96, LEAST_PX = 900;

async function look(file) {
  // A first look at a small copy: what is plainly wrong need not be sent to be known.
  if (file.size > LARGE_BYTES) return "The photo has more than 40 MB; set the camera to a smaller size.";
  let picture;
  try {
    picture = await createImageBitmap(file);
  } catch {
    return "";  // such as HEIC, which this browser may not show
  }
  if (Math.max(picture.width, picture.height) < LEAST_PX) return "The picture is small; the original photo reads better.";
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = SIDE_PX;
  const context = canvas.getContext("2d");
  context.drawImage(picture, 0, 0, SIDE_PX, SIDE_PX);
  picture.close();
  const values = context.getImageData(0, 0, SIDE_PX, SIDE_PX).data;
  let sum = 0;
  for (let i = 0; i < values.length; i += 4) sum += (values[i] + values[i + 1] + values[i + 2]) / 3;
  const mean = sum / (values.length / 4);
  if (mean < DARK) return "The photo looks dark; more light on card and vial helps.";
  if (mean > BRIGHT) return "The photo looks overexposed; a darker one helps.";
  return "";
}

function sizeWords(files) {
  const mb = files.reduce((sum, file) => sum + file.size, 0) / (1024 * 1024);
  return files.length === 1 ? `${mb.toFixed(1)} MB` : `${files.length} photos, ${mb.toFixed(0)} MB`;
}

function prepare(form) {
  const picker = form.querySelector("input[type=file]");
  const hint = form.querySelector(".hint");
  let words = "";
  picker.addEventListener("change", async () => {
    const files = [...picker.files];
    if (!files.length) return;
    form.querySelectorAll("input[name=modified]").forEach((field) => field.remove());
    for (const file of files) {
      const field = document.createElement("input");
      field.type = "hidden";
      field.name = "modified";
      field.value = file.lastModified;
      form.append(field);
    }
    hint.textContent = `Sending ${sizeWords(files)}…`;
    if (form.dataset.photo !== "one") return;
    look(files[0]).then((seen) => { words = seen; if (seen) hint.textContent = `${seen} Sending it all the same…`; });
    form.requestSubmit();
  });
  form.addEventListener("submit", () => {
    if (form.classList.contains("is-sending")) return;
    form.classList.add("is-sending");
    form.setAttribute("aria-busy", "true");
    setTimeout(() => { hint.textContent = `${words ? words + " " : ""}Reading the color of the fluid…`; }, 1200);
    setTimeout(() => { hint.textContent = "This takes longer than usual: others may be reading too. Leave the page open."; }, 9000);
  });
}

async function follow(progress) {
  // Ask for the state of a running job and put the new list in place of the old one.
  while (progress.isConnected) {
    await new Promise((done) => setTimeout(done, 1000));
    const answer = await fetch(location.href, {headers: {Accept: "text/html"}}).catch(() => null);
    if (!answer || !answer.ok) continue;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const now = page.querySelector("[data-job]");
    if (!now) return;
    document.querySelector("[data-job]").replaceWith(now);
    if (now.dataset.job !== "running") return;
    progress = now;
  }
}

document.documentElement.classList.add("scripted");
document.querySelectorAll("form[data-photo]").forEach(prepare);
document.querySelectorAll("[data-job=running]").forEach(follow);
// Back from the result, the form is as new.
addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
