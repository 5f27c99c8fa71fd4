// Recorded strips, drawn by the same hand as the live one.
import { draw } from "./strip.js";

const t = JSON.parse(document.getElementById("texts").textContent);
const places = [...document.querySelectorAll(".strip.recorded")].map((place) => [place, JSON.parse(place.querySelector("script").textContent)]);
const all = () => places.forEach(([place, data]) => draw(place, data.strip, data.samples, data.now, t, document.documentElement.lang));
addEventListener("resize", all);
all();
