// The case form in a browser with scripts: the same form, sent again after each answer, and only what changed
// put in its place. Whatever happens, what was filled in stays.
"use strict";

(() => {
  const DRAFT = "coldcase-case";
  const form = document.getElementById("case");
  const say = document.getElementById("say");
  if (!form) return;
  let asked = 0;
  let waiting = null;
  let recording = false;

  // What is filled in, and nothing that opens anything: the form token is the session's, not the case's.
  function filled() {
    return [...new FormData(form)].filter(([name, value]) => name !== "form_token" && value !== "");
  }

  function remember() {
    try {
      localStorage.setItem(DRAFT, JSON.stringify({ at: Date.now(), fields: filled() }));
    } catch {
      // A browser that keeps nothing: the form works without.
    }
  }

  function forget() {
    try {
      localStorage.removeItem(DRAFT);
    } catch {
      // As above.
    }
  }

  function remembered() {
    try {
      const kept = JSON.parse(localStorage.getItem(DRAFT));
      return kept && Array.isArray(kept.fields) ? kept : null;
    } catch {
      return null;
    }
  }

  function tell(text) {
    say.textContent = text;
    say.className = text ? "say warn" : "say";
    if (text) say.scrollIntoView({ block: "nearest" });
  }

  async function post(fields, done) {
    const token = form.elements.namedItem("form_token");
    const body = new URLSearchParams(fields);
    if (token) body.append("form_token", token.value);
    body.append("do", done);
    const answered = await fetch(form.getAttribute("action"), {
      method: "POST",
      body,
      headers: { Accept: "text/html" },
    });
    const text = await answered.text();
    return { answered, page: new DOMParser().parseFromString(text, "text/html") };
  }

  // One question stays the very element that it was: somebody may be in it.
  function mergeList(id, page) {
    const old = document.getElementById(id);
    const fresh = page.getElementById(id);
    if (!old || !fresh) return;
    const kept = new Map([...old.children].filter((each) => each.id).map((each) => [each.id, each]));
    const wanted = [...fresh.children];
    const ids = new Set(wanted.map((each) => each.id));
    for (const each of [...old.children]) if (!each.id || !ids.has(each.id)) each.remove();
    let place = old.firstElementChild;
    for (const each of wanted) {
      const here = kept.get(each.id);
      if (here && here === place) {
        place = place.nextElementSibling;
      } else {
        old.insertBefore(here || document.importNode(each, true), place);
      }
    }
    // What is answered can no longer be passed over.
    for (const each of wanted) {
      if (!each.querySelector(".pass")) document.getElementById(each.id)?.querySelector(".pass")?.remove();
    }
  }

  function replaceWithin(id, page) {
    const old = document.getElementById(id);
    const fresh = page.getElementById(id);
    if (old && fresh && old.innerHTML !== fresh.innerHTML) old.replaceChildren(...fresh.childNodes);
  }

  function showFlaws(page) {
    for (const each of form.querySelectorAll(".flaw")) each.remove();
    for (const each of form.querySelectorAll("[aria-invalid]")) each.removeAttribute("aria-invalid");
    for (const each of page.querySelectorAll(".flaw")) {
      const name = each.dataset.of;
      const holder = document.getElementById(`f-${name}`) || document.getElementById(`q-${name.slice(2)}`);
      if (!holder) continue;
      holder.append(document.importNode(each, true));
      const input = document.getElementById(`i-${name}`) || holder;
      if (input !== holder) input.setAttribute("aria-invalid", "true");
      input.setAttribute("aria-describedby", each.id);
      holder.closest("details")?.setAttribute("open", "");
    }
  }

  // Fields that moved from one place of the page to another are taken from the page that came; all others
  // keep what is being typed in them.
  function merge(page, whole) {
    const fresh = page.getElementById("case");
    if (!fresh) return false;
    if (whole || page.querySelector("[name=how]").value !== form.querySelector("[name=how]").value) {
      const open = [...form.querySelectorAll("details[open][id]")].map((each) => each.id);
      form.replaceChildren(...fresh.childNodes);
      for (const id of open) document.getElementById(id)?.setAttribute("open", "");
      ready();
      return true;
    }
    replaceWithin("state", page);
    replaceWithin("troubles", page);
    mergeList("questions", page);
    mergeList("answered", page);
    const away = document.getElementById("put-away");
    if (away) {
      away.hidden = page.getElementById("put-away").hidden;
      away.querySelector(".count").textContent = page.querySelector("#put-away .count").textContent;
    }
    for (const each of page.querySelectorAll("details[id^=p-]")) mergeParts(each);
    for (const each of page.querySelectorAll("details.station[id] > summary")) {
      const here = document.querySelector(`#${each.parentElement.id} > summary`);
      if (here) here.textContent = each.textContent;
    }
    replaceWithin("answer", page);
    replaceWithin("json", page);
    const line = document.getElementById("line");
    const said = page.getElementById("line").textContent;
    if (line.textContent !== said) line.textContent = said;
    showFlaws(page);
    return true;
  }

  function mergeParts(fresh) {
    const old = document.getElementById(fresh.id);
    if (!old) return;
    old.querySelector("summary").textContent = fresh.querySelector("summary").textContent;
    const fields = old.querySelector(".fields");
    const wanted = [...fresh.querySelector(".fields").children];
    const ids = new Set(wanted.map((each) => each.id));
    for (const each of [...fields.children]) if (!ids.has(each.id)) each.remove();
    let before = null;
    for (const each of wanted) {
      let here = fields.querySelector(`:scope > [id="${each.id}"]`);
      if (!here) {
        here = document.importNode(each, true);
        fields.insertBefore(here, before ? before.nextElementSibling : fields.firstElementChild);
      }
      before = here;
    }
  }

  const AWAY = "The service cannot be reached just now. What you filled in stays here and in this browser; go on, or try again.";

  async function refresh(done, whole = false) {
    const turn = ++asked;
    remember();
    try {
      const { answered, page } = await post(filled(), done);
      if (turn !== asked) return;
      if (answered.status === 401 || answered.status === 403 || new URL(answered.url).pathname === "/login") {
        tell("You are logged out. Log in again in another window, open a new case there, and take up the draft: nothing is lost.");
      } else if (merge(page, whole)) {
        tell("");
        remember();
      } else {
        tell(AWAY);
      }
    } catch {
      if (turn === asked) tell(AWAY);
    }
  }

  async function record() {
    if (recording) return;
    recording = true;
    remember();
    try {
      const { answered, page } = await post(filled(), "record");
      if (answered.redirected && new URL(answered.url).pathname !== "/login") {
        forget();
        location.assign(answered.url);
      } else if (page.getElementById("case")) {
        merge(page, true);
        tell("");
        document.querySelector("[role=alert]")?.scrollIntoView({ block: "start" });
      } else if (answered.ok && page.querySelector("main")) {
        forget();
        document.querySelector("main").replaceWith(page.querySelector("main"));
      } else {
        tell(`Not recorded. ${AWAY}`);
      }
    } catch {
      tell(`It is not known whether it was recorded. ${AWAY} Pressing again records it once.`);
    } finally {
      recording = false;
    }
  }

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    clearTimeout(waiting);
    const done = event.submitter ? event.submitter.value : "look";
    if (done === "record") record();
    else refresh(done, done === "look" && Boolean(event.submitter?.closest("#exhibits")));
  });

  form.addEventListener("change", (event) => {
    const one = event.target;
    if (one.name && one.checked && /\.(seen|not)$/.test(one.name)) {
      const other = one.name.replace(/\.(seen|not)$/, (_, end) => (end === "seen" ? ".not" : ".seen"));
      for (const each of form.querySelectorAll(`[name="${other}"][value="${one.value}"]`)) each.checked = false;
    }
    clearTimeout(waiting);
    waiting = setTimeout(() => refresh("look"), 250);
  });

  form.addEventListener("input", (event) => {
    if (event.target.matches("[data-find]")) find(event.target.value.trim().toLowerCase());
    else remember();
  });

  form.addEventListener("keydown", (event) => {
    // Enter in a field asks again; it does not press the first button of the form.
    if (event.key !== "Enter" || !event.target.matches("input")) return;
    event.preventDefault();
    if (!event.target.matches("[data-find]")) refresh("look");
  });

  function find(word) {
    for (const station of document.querySelectorAll("#pointing .station")) {
      let any = false;
      for (const each of station.querySelectorAll(".pick")) {
        const fits = !word || each.textContent.toLowerCase().includes(word);
        each.hidden = !fits;
        any ||= fits;
      }
      station.hidden = !any;
      station.open = Boolean(word) && any;
    }
  }

  function ready() {
    for (const each of form.querySelectorAll(".find")) each.hidden = false;
  }

  document.getElementById("draft").addEventListener("click", async (event) => {
    const wanted = event.target.dataset.draft;
    if (!wanted) return;
    document.getElementById("draft").hidden = true;
    const kept = remembered();
    if (wanted === "drop" || !kept) {
      forget();
      return;
    }
    try {
      const { page } = await post(kept.fields, "look");
      if (!merge(page, true)) tell(AWAY);
    } catch {
      tell(AWAY);
      document.getElementById("draft").hidden = false;
    }
  });

  ready();
  if (remembered() && !form.elements.namedItem("supersedes")) document.getElementById("draft").hidden = false;
})();
