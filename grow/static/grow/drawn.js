// Draws each picture of a page from the figure beside it, in the page's own colours, light or dark.
// Without this script the table below each says the same.
"use strict";
for (const drawn of document.querySelectorAll(".drawn")) {
  const figure = JSON.parse(drawn.parentElement.previousElementSibling.textContent);
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const columns = () => [1, 2, 3, 4, 5].map((n) => colour(`--column-${n}`));
  // what is the page's own of each kind of picture; the numbers are the figure's
  const dress = {
    sankey: (trace) => ({
      ...trace,
      orientation: "h",
      textfont: { size: 13 },
      node: { ...trace.node, color: trace.node.customdata.map((n) => columns()[n]), line: { width: 0 } },
      link: { ...trace.link, color: colour("--band") },
    }),
    bar: ({ tone, ...trace }) => ({ ...trace, marker: { color: columns()[tone - 1] } }),
    scatter: ({ tone, ...trace }) => ({
      ...trace,
      marker: tone
        ? { ...trace.marker, color: columns()[tone - 1] }
        : {
            ...trace.marker,
            colorscale: [[0, colour("--heat-least")], [1, colour("--column-4")]],
          },
      error_x: trace.error_x && { ...trace.error_x, color: colour("--body-fg") },
    }),
  };
  const axis = () => ({
    gridcolor: colour("--hairline-color"),
    zerolinecolor: colour("--border-color"),
    automargin: true,
    fixedrange: true,
  });
  const draw = () => {
    const data = figure.data.map((trace) => dress[trace.type](trace));
    const flows = figure.data[0].type === "sankey";
    const narrow = drawn.parentElement.clientWidth < 480;
    const layout = {
      height: figure.high,
      // names of the last column need room to be read
      width: Math.max(drawn.parentElement.clientWidth, flows ? 720 : 0),
      margin: { l: 8, r: 8, t: flows ? 12 : 32, b: flows ? 12 : 44 },
      paper_bgcolor: "rgba(0,0,0,0)",
      plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: getComputedStyle(document.body).fontFamily, size: 13, color: colour("--body-fg") },
      // on a phone a caption is as wide as the plot, which the names beside it make narrow
      xaxis: { ...axis(), title: { text: (figure.across || "").replaceAll(", ", narrow ? ",<br>" : ", ") } },
      yaxis: { ...axis(), autorange: "reversed", type: "category" },
      legend: { orientation: "h", x: 0, y: 1, yanchor: "bottom" },
    };
    return Plotly.react(drawn, data, layout, { displayModeBar: false });
  };
  drawn.parentElement.hidden = false;
  draw();
  addEventListener("resize", draw);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  new MutationObserver(draw).observe(document.documentElement, { attributeFilter: ["data-theme"] });
}
