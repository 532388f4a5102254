/* What a scanner types reaches the page's first field, also where nothing has the cursor: the
   browser gives it to the field only with the first picture, some keys too late, and never again
   once a finger took it away. Without this the field is tapped first. */
"use strict";

(() => {
    const field = document.querySelector("[autofocus]");
    if (!field) return;
    document.addEventListener("keydown", (event) => {
        if (event.target.closest("input, select, textarea, button, a, summary")) return;
        const types = event.key.length === 1 && event.key !== " ";
        if (types && !event.ctrlKey && !event.metaKey && !event.altKey) field.focus();
    });
})();
