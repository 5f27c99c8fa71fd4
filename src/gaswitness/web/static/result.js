// Recorded strips, drawn by the same hand as the live one.
import { draw } from "./strip.js";

const t = JSON.parse(document.getElementById("texts").textContent);
const places = [...document.querySelectorAll(".strip.recorded")].map((place) => [place, JSON.parse(place.querySelector("script").textContent)]);
const all = () => places.forEach(([place, data]) => draw(place, data.strip, data.samples, data.now, t, document.documentElement.lang));
addEventListener("resize", all);
all();

// Marks that come in while the page is open reopen the judging that it shows.
const reopened = document.getElementById("reopened");
setInterval(async () => {
  try {
    const answer = await fetch(`/result/${encodeURIComponent(reopened.dataset.name)}/late`, { cache: "no-store", headers: { Accept: "application/json" } });
    if (answer.ok) reopened.hidden = (await answer.json()).bytes <= Number(reopened.dataset.bytes);
  } catch { /* no network: asked again */ }
}, 15_000);
