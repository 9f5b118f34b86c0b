// The case form in a browser with scripts: the same form, sent again after each answer, and only what changed
// put in its place. Whatever happens, what was filled in stays.
"use strict";

(() => {
  const form = document.getElementById("case");
  if (!form) return;
  const say = document.getElementById("say");
  const AWAY =
    "The service cannot be reached just now. What you filled in stays here and in this browser; go on, or try again.";
  const LOGGED_OUT =
    "You are logged out. Log in again in another window and take the case up there: it is kept in this browser.";
  let turn = 0;
  let waiting = null;
  let recording = false;

  // What is filled in, and nothing that opens anything: the form token is the session's, not the case's.
  function filled() {
    return [...new FormData(form)].filter(([name, value]) => name !== "form_token" && value !== "");
  }

  function tell(text) {
    say.textContent = text;
    say.className = text ? "say warn" : "say";
    if (text) say.scrollIntoView({ block: "nearest" });
  }

  // Drafts: one for each form, by its key, for whoever filled it in. A browser that keeps nothing throws, and
  // the form works without.
  const DRAFT = "coldcase-case:";
  const MOST_DRAFTS = 5;

  function drafts() {
    try {
      return Object.keys(localStorage)
        .filter((name) => name.startsWith(DRAFT))
        .map((name) => ({ name, ...JSON.parse(localStorage.getItem(name)) }))
        .filter((draft) => Array.isArray(draft.fields) && draft.who === form.dataset.who)
        .sort((one, other) => other.at - one.at);
    } catch {
      return [];
    }
  }

  function remember() {
    const fields = filled();
    const key = fields.find(([name]) => name === "key");
    try {
      localStorage.setItem(DRAFT + key[1], JSON.stringify({ at: Date.now(), who: form.dataset.who, fields }));
      for (const old of drafts().slice(MOST_DRAFTS)) localStorage.removeItem(old.name);
    } catch {
      // As above.
    }
  }

  function forget(name) {
    try {
      localStorage.removeItem(name);
    } catch {
      // As above.
    }
  }

  function ownDraft() {
    return DRAFT + form.elements.namedItem("key").value;
  }

  function offerDrafts() {
    const place = document.getElementById("drafts");
    const kept = drafts().filter((draft) => draft.name !== ownDraft());
    const rows = kept.map((draft) => {
      const said = Object.fromEntries(draft.fields);
      const row = document.createElement("li");
      const words = document.createElement("bdi");
      words.textContent = said["job.ref"] || said["unit.ref"] || "a case";
      row.append(words, ` of ${new Date(draft.at).toLocaleString()} `);
      row.append(button("Go on with it", () => takeUp(draft)), " ");
      row.append(button("Throw it away", () => (forget(draft.name), offerDrafts())));
      return row;
    });
    place.querySelector("ul").replaceChildren(...rows);
    place.hidden = !rows.length;
  }

  function button(words, does) {
    const made = document.createElement("button");
    made.type = "button";
    made.textContent = words;
    made.addEventListener("click", does);
    return made;
  }

  async function takeUp(draft) {
    try {
      const { page } = await post(draft.fields, "look");
      if (!merge(page, true)) return tell(LOGGED_OUT);
      document.getElementById("drafts").hidden = true;
      remember();
    } catch {
      tell(AWAY);
    }
  }

  async function post(fields, done) {
    const token = form.elements.namedItem("form_token");
    const body = new URLSearchParams(fields);
    if (token) body.append("form_token", token.value);
    body.append("do", done);
    const answered = await fetch("/case", { method: "POST", body, headers: { Accept: "text/html" } });
    return { answered, page: new DOMParser().parseFromString(await answered.text(), "text/html") };
  }

  const within = (node) => node.contains(document.activeElement);
  const holds = (node) => [...node.querySelectorAll(".field[id]")].map((each) => each.id).join(" ");

  // A list by the ids of its children. What stays is the very element that it was, for somebody may be in it;
  // unless a field of it has gone elsewhere.
  function mergeList(old, fresh) {
    if (!old || !fresh) return;
    const wanted = [...fresh.children].map((each) => {
      const here = each.id && [...old.children].find((other) => other.id === each.id);
      return here && (within(here) || holds(here) === holds(each)) ? here : document.importNode(each, true);
    });
    for (const each of [...old.children]) if (!wanted.includes(each)) each.remove();
    wanted.forEach((each, place) => {
      if (old.children[place] !== each) old.insertBefore(each, old.children[place] || null);
    });
    // What is answered can no longer be passed over.
    for (const each of fresh.children) {
      if (each.id && !each.querySelector(".pass")) document.getElementById(each.id)?.querySelector(".pass")?.remove();
    }
  }

  function replaceWithin(id, page) {
    const old = document.getElementById(id);
    const fresh = page.getElementById(id);
    if (old && fresh && old.innerHTML !== fresh.innerHTML) {
      const open = [...old.querySelectorAll("details[open][id]")].map((each) => each.id);
      old.replaceChildren(...fresh.childNodes);
      for (const each of open) document.getElementById(each)?.setAttribute("open", "");
    }
  }

  // Which titles can be pointed at follows the machine; what was passed over is no longer pointed at.
  function mergePointing(page) {
    const old = document.getElementById("pointing");
    const fresh = page.getElementById("pointing");
    if (!old || !fresh) return;
    const codes = (place) => [...place.querySelectorAll("[name=point]")].map((each) => each.value);
    if (codes(old).join() !== codes(fresh).join() && !within(old)) {
      const word = old.querySelector("[data-find]").value;
      const open = old.open;
      old.replaceChildren(...fresh.childNodes);
      old.open = open;
      old.querySelector("[data-find]").value = word;
      ready();
      return;
    }
    for (const each of fresh.querySelectorAll("[name=point]")) {
      const here = old.querySelector(`[value="${each.value}"]`);
      if (here) here.checked = each.checked;
    }
  }

  function showFlaws(page) {
    for (const each of form.querySelectorAll(".flaw")) each.remove();
    for (const each of form.querySelectorAll("[aria-invalid]")) each.removeAttribute("aria-invalid");
    for (const each of page.querySelectorAll(".flaw")) {
      const name = each.dataset.of;
      const holder = document.getElementById(`f-${name}`) || document.getElementById(`q-${name.slice(2)}`);
      if (!holder) continue;
      holder.append(document.importNode(each, true));
      const input = document.getElementById(`i-${name}`);
      input?.setAttribute("aria-invalid", "true");
      (input || holder).setAttribute("aria-describedby", each.id);
      holder.closest("details")?.setAttribute("open", "");
    }
  }

  // Puts a page that came into this one. False for a page that has no form.
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
    replaceWithin("troubles", page);
    // Somebody who fills in a part of the case is not to see its fields go to a question meanwhile.
    if (!form.querySelector("details[id^=p-]:focus-within")) mergeQuestions(page);
    for (const each of page.querySelectorAll("details[id] > summary")) {
      const here = document.querySelector(`[id="${each.parentElement.id}"] > summary`);
      if (here && here.textContent !== each.textContent) here.textContent = each.textContent;
    }
    for (const id of ["answer", "json"]) replaceWithin(id, page);
    const line = document.getElementById("line");
    const said = page.getElementById("line").textContent;
    // Told once, when it changes: it is read aloud.
    if (line.textContent !== said) line.textContent = said;
    showFlaws(page);
    return true;
  }

  function mergeQuestions(page) {
    replaceWithin("state", page);
    mergePointing(page);
    for (const id of ["questions", "answered"]) mergeList(document.getElementById(id), page.getElementById(id));
    const away = document.getElementById("put-away");
    if (away) away.hidden = page.getElementById("put-away").hidden;
    for (const each of page.querySelectorAll("details[id^=p-]")) {
      const here = document.getElementById(each.id);
      here.classList.toggle("screen", each.classList.contains("screen"));
      mergeList(here.querySelector(".fields"), each.querySelector(".fields"));
    }
  }

  async function refresh(done) {
    const own = ++turn;
    form.dataset.waiting = "yes";
    remember();
    try {
      const all = form.querySelector("[name=how]").value === "all";
      const fields = all && done === "look" ? [...filled(), ["brief", "yes"]] : filled();
      const { answered, page } = await post(fields, done);
      if (own !== turn) return;
      if ([401, 403].includes(answered.status) || new URL(answered.url).pathname === "/login") {
        tell(LOGGED_OUT);
      } else if (merge(page, done === "more")) {
        tell("");
        remember();
        goOn(done);
      } else {
        tell(AWAY);
      }
    } catch {
      if (own === turn) tell(AWAY);
    }
    if (own === turn) delete form.dataset.waiting;
  }

  // The button that was pressed may be gone: on with the question that stands open first.
  function goOn(done) {
    const asks = done === "next" || done.startsWith("pass.");
    if (!asks && done !== "ask" && done !== "all") return;
    const first = asks && form.querySelector("#questions .question:has(.pass)");
    const open = first || document.getElementById("asked");
    open.tabIndex = -1;
    open.focus();
  }

  async function record() {
    if (recording) return;
    recording = true;
    remember();
    const own = ownDraft();
    try {
      const { answered, page } = await post(filled(), "record");
      const at = new URL(answered.url).pathname;
      if (at === "/login" || [401, 403].includes(answered.status)) {
        tell(`Not recorded. ${LOGGED_OUT}`);
      } else if (page.getElementById("case")) {
        merge(page, true);
        tell("");
        form.querySelector("[role=alert]")?.scrollIntoView({ block: "start" });
      } else if (answered.redirected) {
        forget(own);
        location.assign(answered.url);
      } else if (answered.ok) {
        forget(own);
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
    else refresh(done);
  });

  form.addEventListener("change", (event) => {
    const one = event.target;
    // Seen and not there exclude each other.
    if (one.checked && /\.(seen|not)$/.test(one.name)) {
      const other = one.name.replace(/\.(seen|not)$/, (_, end) => (end === "seen" ? ".not" : ".seen"));
      for (const each of form.querySelectorAll(`[name="${other}"][value="${one.value}"]`)) each.checked = false;
    }
    // What is on its way is of before this, and would undo it.
    turn++;
    form.dataset.waiting = "yes";
    clearTimeout(waiting);
    waiting = setTimeout(() => refresh("look"), 250);
  });

  form.addEventListener("input", (event) => {
    if (event.target.matches("[data-find]")) find(event.target.value.trim().toLowerCase());
    else remember();
  });

  form.addEventListener("keydown", (event) => {
    // Enter in a field asks again; it does not record.
    if (event.key !== "Enter" || !event.target.matches("input")) return;
    event.preventDefault();
    if (!event.target.matches("[data-find]")) refresh("look");
  });

  function find(word) {
    for (const station of form.querySelectorAll("#pointing .station")) {
      let any = false;
      for (const each of station.querySelectorAll(".pick")) {
        each.hidden = Boolean(word) && !each.textContent.toLowerCase().includes(word);
        any ||= !each.hidden;
      }
      station.hidden = !any;
      station.open = Boolean(word) && any;
    }
  }

  function ready() {
    for (const each of form.querySelectorAll(".find")) each.hidden = false;
    const word = form.querySelector("[data-find]")?.value;
    if (word) find(word.trim().toLowerCase());
  }

  ready();
  offerDrafts();
})();
