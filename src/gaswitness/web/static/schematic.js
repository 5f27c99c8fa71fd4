// Lights up what belongs together on the map: a detector's effects, or what brings an effect about.
const map = document.querySelector(".map");
function light(item) {
  const { from, to } = item.dataset;
  map.classList.add("chosen");
  for (const wire of map.querySelectorAll(".wire")) wire.classList.toggle("lit", wire.dataset.from === from || wire.dataset.to === to);
}
for (const item of map?.querySelectorAll(".item") ?? []) {
  for (const name of ["mouseenter", "focus"]) item.addEventListener(name, () => light(item));
  for (const name of ["mouseleave", "blur"]) item.addEventListener(name, () => map.classList.remove("chosen"));
}
