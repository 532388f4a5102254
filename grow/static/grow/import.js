/* Trying and recording without leaving the page, so that the chosen files stay chosen; the server
   tells line by line how far it is. Without this script the form is sent as forms are. */
"use strict";

(() => {
    const form = document.getElementById("import-form");
    const playing = document.getElementById("playing");
    const progress = document.getElementById("progress");
    const says = document.getElementById("progress-says");
    const result = document.getElementById("result");
    if (!form || !window.ReadableStream) return;

    function heard(line) {
        const news = JSON.parse(line);
        if (news.html !== undefined) {
            result.innerHTML = news.html;
            return true;
        }
        progress.max = news.of;
        progress.value = news.done;
        says.textContent = `${news.done} of ${news.of} entries played`;
        return false;
    }

    async function send(data) {
        const answer = await fetch(form.action, {
            method: "POST",
            body: data,
            headers: { Accept: "application/x-ndjson" },
        });
        if (!answer.ok) throw new Error(String(answer.status));
        const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
        let rest = "";
        let ended = false;
        for (;;) {
            const { done, value } = await reader.read();
            if (done) break;
            const lines = (rest + value).split("\n");
            rest = lines.pop();
            for (const line of lines) ended = heard(line) || ended;
        }
        if (!ended) throw new Error("cut off");
    }

    function brokeOff() {
        const box = document.createElement("div");
        box.className = "verdict bad";
        box.setAttribute("role", "alert");
        box.textContent =
            "The connection broke off before the end. Send the files again: " +
            "what was recorded already is not recorded twice.";
        result.replaceChildren(box);
    }

    form.addEventListener("submit", async (event) => {
        event.preventDefault();
        const data = new FormData(form);
        const button = event.submitter;
        if (button && button.name) data.append(button.name, button.value);
        const buttons = document.querySelectorAll("button[form=import-form], #import-form button");
        buttons.forEach((one) => { one.disabled = true; });
        progress.removeAttribute("value");
        says.textContent = "Reading the files …";
        playing.hidden = false;
        try {
            await send(data);
        } catch {
            brokeOff();
        }
        playing.hidden = true;
        document.querySelectorAll("button[form=import-form], #import-form button")
            .forEach((one) => { one.disabled = false; });
        result.focus();
        result.scrollIntoView({ block: "start" });
    });

    // what was said was said of other files
    document.getElementById("id_files").addEventListener("change", () => result.replaceChildren());
})();
