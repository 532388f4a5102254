// Draws each picture of a page from the figure beside it, in the page's own colours, light or dark.
// Without this script the table below each says the same.
"use strict";
for (const drawn of document.querySelectorAll(".drawn")) {
  const figure = JSON.parse(drawn.parentElement.previousElementSibling.textContent);
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const draw = () => {
    const columns = [1, 2, 3, 4, 5].map((n) => colour(`--column-${n}`));
    const data = figure.data.map((trace) => ({
      ...trace,
      orientation: "h",
      textfont: { size: 13 },
      node: { ...trace.node, color: trace.node.customdata.map((n) => columns[n]), line: { width: 0 } },
      link: { ...trace.link, color: colour("--band") },
    }));
    const layout = {
      height: figure.high,
      // names of the last column need room to be read
      width: Math.max(drawn.parentElement.clientWidth, 720),
      margin: { l: 8, r: 8, t: 12, b: 12 },
      paper_bgcolor: "rgba(0,0,0,0)",
      font: { family: getComputedStyle(document.body).fontFamily, size: 13, color: colour("--body-fg") },
    };
    return Plotly.react(drawn, data, layout, { displayModeBar: false });
  };
  drawn.parentElement.hidden = false;
  draw();
  addEventListener("resize", draw);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  new MutationObserver(draw).observe(document.documentElement, { attributeFilter: ["data-theme"] });
}
