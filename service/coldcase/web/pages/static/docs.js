// Shows of the description's calls, problems and shapes those that have all the words that are looked for.
const box = document.getElementById("find");
const parts = [...document.querySelectorAll("[data-find]")].map((part) => [part, part.textContent.toLowerCase()]);

function find() {
  const words = box.value.toLowerCase().split(/\s+/).filter(Boolean);
  let shown = 0;
  for (const [part, text] of parts) {
    part.hidden = !words.every((word) => text.includes(word));
    shown += !part.hidden && part.tagName === "ARTICLE";
  }
  document.getElementById("found").textContent = words.length ? `${shown} found` : "";
}

box.closest("[hidden]").hidden = false;
box.addEventListener("input", find);
// Whoever follows a link wants to see where it leads.
addEventListener("hashchange", () => {
  const wanted = document.getElementById(location.hash.slice(1));
  if (wanted?.hidden) {
    box.value = "";
    find();
    wanted.scrollIntoView();
  }
});
