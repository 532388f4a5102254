/* What is pressed is kept in this browser until it is recorded. A farm's LAN is plain http, so there
   is no service worker: a form that says data-queue="what it is" is kept in local storage under its
   own client_id, sent by the page to the form's address, and sent again when the network or the
   session is back. The client_id makes a second sending the same act. Each is sent for whom it was
   entered by, whoever is signed in by then. A refusal keeps the entry and shows the sentence and the
   ways out; so does a fault of the server, and what waits behind goes on. Without a script, or with
   nothing to keep it in, the form goes as forms go.

   data-queue  what the entry is called while it waits
   data-about  what it is about: the form of something that waits already is shut
   A button whose value is empty only looks again, and goes the plain way. */
"use strict";

(() => {
    const me = document.currentScript.dataset;
    const PREFIX = "unsent:";
    const AGAIN_MS = 10000;
    const LONGEST_SIDE = 1600, SHORTER_SIDE = 900;
    let sending = null, next = "", state = "", touched = false, leaving = false;
    let latest = ""; // the entry that was pressed last: its result is what its person wants to see
    let busy = false, pressed = false; // a press is being taken; what was pressed is being sent
    let justSent = 0;
    const done = new Set(); // what was recorded while this page was open is not pressed again

    /* --- the entries ------------------------------------------------------------------------- */

    function store() {
        try {
            localStorage.setItem(`${PREFIX}?`, "1");
            localStorage.removeItem(`${PREFIX}?`);
            return localStorage;
        } catch { return null; }
    }
    const kept = store();

    function entries() {
        if (!kept) return [];
        const found = [];
        for (let n = 0; n < kept.length; n += 1) {
            const key = kept.key(n);
            if (!key.startsWith(PREFIX)) continue;
            try { found.push(JSON.parse(kept.getItem(key))); } catch { /* not ours */ }
        }
        return found.sort((a, b) => a.at.localeCompare(b.at));
    }
    const mine = () => entries().filter((one) => one.by === me.person && me.person);
    const keep = (entry) => kept.setItem(PREFIX + entry.id, JSON.stringify(entry));
    const drop = (entry) => kept.removeItem(PREFIX + entry.id);

    /* crypto.randomUUID is not there on plain http. */
    function newId() {
        const hex = [...crypto.getRandomValues(new Uint8Array(16))]
            .map((byte) => byte.toString(16).padStart(2, "0")).join("");
        return `${hex.slice(0, 8)}-${hex.slice(8, 12)}-${hex.slice(12, 16)}-${hex.slice(16, 20)}-${hex.slice(20)}`;
    }

    async function smaller(file, side) {
        const picture = await createImageBitmap(file);
        const by = Math.min(1, side / Math.max(picture.width, picture.height));
        const canvas = document.createElement("canvas");
        canvas.width = Math.round(picture.width * by);
        canvas.height = Math.round(picture.height * by);
        canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
        return canvas.toDataURL("image/jpeg", 0.75);
    }

    async function made(form, button) {
        const entry = {
            id: form.elements.client_id.value,
            by: me.person,
            name: me.name,
            url: form.action,
            says: form.dataset.queue,
            about: form.dataset.about || "",
            at: new Date().toISOString(),
            fields: [],
            files: [],
            lost: "",
        };
        const pictures = [];
        // not by FormData's second argument: older browsers leave the button out without a word
        for (const [name, value] of [...new FormData(form), [button.name, button.value]]) {
            if (name === "csrfmiddlewaretoken") continue;
            if (value instanceof File) { if (value.size) pictures.push([name, value]); }
            else entry.fields.push([name, value]);
        }
        for (const side of [LONGEST_SIDE, SHORTER_SIDE]) {
            entry.files = [];
            try {
                for (const [name, file] of pictures) entry.files.push([name, await smaller(file, side)]);
            } catch {
                entry.files = [];
                entry.lost = "That file is no picture that can be read here; the entry goes without it.";
            }
            try { keep(entry); return entry; } catch { /* no room: smaller, or without */ }
        }
        entry.files = [];
        entry.lost = "The photograph is too large to be kept here; the entry goes without it.";
        keep(entry);
        return entry;
    }

    /* --- sending ----------------------------------------------------------------------------- */

    let token = (document.querySelector("input[name=csrfmiddlewaretoken]") || {}).value || "";

    async function freshToken() {
        const page = await fetch(me.start, { redirect: "manual", credentials: "same-origin" });
        if (page.type === "opaqueredirect") return false;
        const found = /name="csrfmiddlewaretoken" value="(\w+)"/.exec(await page.text());
        token = found ? found[1] : "";
        return Boolean(token);
    }

    function body(entry) {
        const sent = new FormData();
        entry.fields.forEach(([name, value]) => sent.append(name, value));
        entry.files.forEach(([name, url]) => {
            const bytes = Uint8Array.from(atob(url.split(",")[1]), (c) => c.charCodeAt(0));
            sent.append(name, new Blob([bytes], { type: "image/jpeg" }), "photograph.jpg");
        });
        sent.append("at", entry.at);
        sent.append("clock_reading", new Date().toISOString());
        sent.append("csrfmiddlewaretoken", token);
        return sent;
    }

    /* "recorded", "refused", "signed out", "away" */
    async function send(entry, more, again = false) {
        let answer;
        try {
            if (!token && !(await freshToken())) return "signed out";
            answer = await fetch(entry.url, {
                method: "POST",
                body: body(entry),
                headers: { "X-Queue": more ? "more" : "last", "X-Queue-By": entry.by },
                redirect: "manual",
                credentials: "same-origin",
            });
        } catch { return "away"; }
        if (answer.type === "opaqueredirect") return "signed out";
        if (answer.status === 500) {
            entry.refused = {
                failed: true,
                sentence: "The farm’s computer failed at this one.",
                do: "It is kept here. Try it again: nothing is recorded twice. If it fails again, tell whoever looks after the computer.",
            };
            keep(entry);
            return "refused";
        }
        if (answer.status >= 500 || answer.status === 429) return "busy";
        let said = null;
        try { said = await answer.json(); } catch { /* a page, not an answer */ }
        if (answer.ok && said) { next = said.next || ""; return "recorded"; }
        if (answer.status === 403 && !said && !again) {
            token = "";
            return send(entry, more, true);
        }
        entry.refused = said || { sentence: "It was not taken; it may not be among your tasks.", do: "", ways: [] };
        keep(entry);
        return "refused";
    }

    /* A press waits for what is being sent, which takes the pressed entry with it. */
    async function flush() {
        if (leaving || !kept || !me.person) return;
        if (!sending) sending = Promise.resolve().then(sendAll);
        await sending;
    }

    async function sendAll() {
        let recorded = 0, result = "";
        state = "";
        try {
            for (;;) {
                const waiting = mine().filter((one) => !one.refused);
                if (!waiting.length) break;
                show();
                // only a press on this page lets somebody go who shares the device
                state = await send(waiting[0], waiting.length > 1 || !pressed);
                if (state === "recorded") {
                    drop(waiting[0]);
                    if (waiting[0].about) done.add(waiting[0].about);
                    if (waiting[0].id === latest) result = next;
                    recorded += 1;
                } else if (state !== "refused") break;
            }
        } finally { sending = null; }
        justSent += recorded;
        const left = mine();
        // what was refused before stays in the list; it does not hide what became of this press
        if (pressed ? result : recorded && !left.length && !(touched || busy)) {
            leaving = true;
            if (pressed) location.assign(result); else location.reload();
            return;
        }
        show();
        if (left.some((one) => !one.refused)) setTimeout(flush, AGAIN_MS);
    }

    /* --- what is said ------------------------------------------------------------------------ */

    const panel = document.createElement("section");
    panel.id = "unsent";
    panel.setAttribute("aria-live", "polite");
    panel.setAttribute("aria-label", "Not sent yet");
    panel.hidden = true;

    const node = (tag, text = "", name = "") => {
        const made_ = document.createElement(tag);
        if (text) made_.textContent = text;
        if (name) made_.className = name;
        return made_;
    };
    const button = (text, press, name = "") => {
        const one = node("button", text, `button ${name}`.trim());
        one.type = "button";
        one.addEventListener("click", press);
        return one;
    };
    const why = {
        away: "There is no network. It is kept here and sent as soon as there is; leave this browser’s data as it is.",
        busy: "The farm’s computer is busy. It is kept here and sent again.",
        "signed out": "You are no longer signed in here. It is kept; sign in, and it is sent.",
    };
    const count = (n, what) => `${n} ${n === 1 ? "entry is" : "entries are"} not ${what}`;

    function item(entry) {
        const one = node("li");
        const time = new Date(entry.at).toTimeString().slice(0, 5);
        one.append(node("p", `${entry.says}, ${time}`, "unsent-what"));
        if (entry.lost) one.append(node("p", entry.lost, "unsent-lost"));
        if (!entry.refused) return one;
        one.className = "is-refused";
        const failed = entry.refused.failed;
        one.append(node("p", `${failed ? "" : "Not recorded. "}${entry.refused.sentence}`, "unsent-why"));
        const here = [...document.querySelectorAll("form[data-queue]")]
            .some((form) => form.elements.client_id && form.elements.client_id.value === entry.id);
        const todo = here && !failed ? "Change it below and press again, or drop it if it is wrong." : entry.refused.do;
        if (todo) one.append(node("p", todo));
        const ways = node("p", "", "unsent-ways");
        if (failed) ways.append(button("Try again", () => take(entry)));
        (entry.refused.ways || []).forEach((way) => ways.append(button(way.label, () => take(entry, way))));
        if (!here) ways.append(button("Change it", () => change(entry), "quiet-button"));
        const out = button("Drop it", () => {
            if (out.dataset.sure) { drop(entry); show(); } else { out.dataset.sure = "1"; out.textContent = "Drop it for good"; }
        }, "quiet-button");
        ways.append(out);
        one.append(ways);
        return one;
    }

    function show() {
        const own = mine();
        const others = entries().filter((one) => one.by !== me.person);
        panel.hidden = !own.length && !others.length && !justSent;
        panel.classList.toggle("is-refused", own.some((one) => one.refused));
        panel.replaceChildren();
        if (justSent) {
            const sent = node("p", `${justSent} ${justSent === 1 ? "entry was" : "entries were"} sent and recorded. `);
            const anew = node("a", "Show the page anew");
            anew.href = location.href;
            sent.append(anew);
            panel.append(sent);
        }
        if (own.length) {
            const refused = own.every((one) => one.refused && !one.refused.failed);
            const said = count(own.length, refused ? "recorded" : "sent yet");
            panel.append(node("p", sending && !state ? "Sending …" : `${said}.`, "unsent-count"));
            if (why[state]) panel.append(node("p", why[state]));
            const list = node("ul");
            own.forEach((entry) => list.append(item(entry)));
            panel.append(list);
            const ways = node("p", "", "unsent-ways");
            if (state === "signed out") {
                const way = node("a", "Sign in", "button");
                way.href = me.signIn;
                ways.append(way);
            } else if (own.some((one) => !one.refused) && !sending) ways.append(button("Send now", flush));
            if (ways.children.length) panel.append(ways);
        }
        const names = new Map();
        others.forEach((one) => names.set(one.name, (names.get(one.name) || 0) + 1));
        names.forEach((n, name) => {
            panel.append(node("p", `${count(n, "sent yet")}, by ${name}: sent when ${name} signs in here.`));
        });
        const about = new Set([...done, ...own.map((one) => one.about)]);
        document.querySelectorAll("form[data-about]").forEach((form) => {
            const shut = about.has(form.dataset.about) && !changing(form);
            form.classList.toggle("is-waiting", shut);
            form.dataset.waits = done.has(form.dataset.about) ? "Recorded" : "Not sent yet";
            form.querySelectorAll("button").forEach((one) => { one.disabled = shut; });
        });
    }

    /* The form of an entry that was refused stays open: pressed again, it takes its place. */
    function changing(form) {
        const id = form.elements.client_id ? form.elements.client_id.value : "";
        return mine().some((one) => one.id === id && one.refused);
    }

    /* Again, with a way out if it has one. */
    async function take(entry, way) {
        if (busy || leaving) return;
        busy = pressed = true;
        latest = entry.id;
        const anew = { ...entry };
        delete anew.refused;
        if (way) {
            anew.fields = [...entry.fields.filter(([name]) => name !== way.name), [way.name, way.value]];
            if (way.name === "client_id") anew.id = latest = way.value;
        }
        drop(entry);
        keep(anew);
        await flush();
        busy = pressed = false;
    }

    /* Opened again at its own page, as it was typed; a photograph is taken again. */
    async function change(entry) {
        if (!token && !(await freshToken().catch(() => false))) { state = "signed out"; show(); return; }
        const form = node("form");
        form.method = "post";
        form.action = entry.url;
        form.hidden = true;
        const add = (name, value) => {
            const field = node("input");
            field.type = "hidden";
            field.name = name;
            field.value = value;
            form.append(field);
        };
        entry.fields.forEach(([name, value]) => { if (name !== "press") add(name, value); });
        add("press", "");
        add("csrfmiddlewaretoken", token);
        document.body.append(form);
        form.submit();
    }

    /* --- a press ------------------------------------------------------------------------------ */

    document.addEventListener("input", () => { touched = true; });
    document.addEventListener("submit", async (event) => {
        const form = event.target;
        const by = event.submitter;
        if (!form.dataset || form.dataset.queue === undefined || !kept || !me.person) return;
        if (!by || !by.value) return;
        event.preventDefault();
        if (busy || leaving) return;
        busy = true;
        let entry;
        try { entry = await made(form, by); } catch {
            /* nothing can be kept here: as forms go, with the press in it */
            const press = node("input");
            press.type = "hidden";
            press.name = by.name;
            press.value = by.value;
            form.append(press);
            form.submit();
            return;
        }
        pressed = true;
        latest = entry.id;
        show();
        await flush();
        busy = pressed = false;
        if (leaving) return;
        const unsent = mine().some((one) => one.id === entry.id && !one.refused);
        if (unsent && !entry.about) {
            /* the next one is another */
            form.reset();
            form.elements.client_id.value = newId();
        }
        panel.scrollIntoView({ block: "nearest" });
    });

    const content = document.getElementById("content");
    if (content) content.prepend(panel);
    show();
    flush();
    window.addEventListener("online", flush);
    window.addEventListener("pageshow", (event) => { if (event.persisted) { busy = pressed = leaving = false; show(); flush(); } });
    document.addEventListener("visibilitychange", () => { if (!document.hidden) flush(); });
})();
