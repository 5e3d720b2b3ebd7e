"use strict";
// Several sticks chosen at once go to the page of an act, with their numbers.
const chosen = () => [...document.querySelectorAll("[name=stick]:checked")].map(b => b.value);
document.getElementById("print")?.addEventListener("click", () => print());
const tell = () => {
  if (!document.getElementById("with")) return;
  const n = chosen().length;
  document.getElementById("with").hidden = n === 0;
  document.getElementById("how-many").textContent = `${n} chosen:`;
};
document.addEventListener("change", e => { if (e.target.name === "stick") tell(); });
for (const a of document.querySelectorAll("#with a")) a.addEventListener("click", e => {
  e.preventDefault();
  location.href = `${a.getAttribute("href")}?a0=${encodeURIComponent(chosen().join(" "))}`;
});
document.getElementById("all-sticks")?.addEventListener("change", e => {
  for (const b of document.querySelectorAll("[name=stick]")) b.checked = e.target.checked;
  tell();
});
tell();
