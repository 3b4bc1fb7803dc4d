// Draws the figures of a page in the colours of the reader's screen, and again when these change.
(() => {
  "use strict";
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const narrow = window.matchMedia("(max-width: 40rem)");
  const touched = window.matchMedia("(pointer: coarse)");
  const plots = Array.from(document.querySelectorAll(".plot[data-figure]"));

  const hex = /^#([0-9a-f]{2})([0-9a-f]{2})([0-9a-f]{2})$/i;
  const rgb = /^rgba?\(\s*(\d+)\s*,\s*(\d+)\s*,\s*(\d+)\s*(?:,\s*([\d.]+)\s*)?\)$/i;

  function inDark(text) {
    let parts = hex.exec(text);
    let opacity;
    if (parts) {
      parts = parts.slice(1).map((part) => parseInt(part, 16));
    } else {
      parts = rgb.exec(text);
      if (!parts) return text;
      opacity = parts[4];
      parts = parts.slice(1, 4);
    }
    const partner = HOUSE.swaps[parts.map(Number).join(",")];
    if (!partner) return text;
    return opacity === undefined ? `rgb(${partner})` : `rgba(${partner},${opacity})`;
  }

  function recoloured(value) {
    if (typeof value === "string") return inDark(value);
    if (Array.isArray(value)) return value.map(recoloured);
    if (value && typeof value === "object") {
      return Object.fromEntries(Object.entries(value).map(([key, one]) => [key, recoloured(one)]));
    }
    return value;
  }

  // On a narrow screen long names would leave no room for what they name.
  function shortNames(figure) {
    const longest = 18;
    for (const trace of figure.data) {
      if (trace.orientation !== "h" || !Array.isArray(trace.y)) continue;
      const axis = `yaxis${(trace.yaxis || "y").slice(1)}`;
      const alias = { ...(figure.layout[axis] || {}).labelalias };
      for (const name of trace.y) {
        const seen = String(name).replace(/&lt;/g, "<").replace(/&gt;/g, ">").replace(/&amp;/g, "&");
        if (Array.from(seen).length <= longest) continue;
        const short = Array.from(seen).slice(0, longest - 1).join("").trimEnd();
        alias[name] = `${short.replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;")}…`;
      }
      figure.layout[axis] = { ...figure.layout[axis], labelalias: alias };
    }
  }

  async function draw(plot, isDark) {
    const source = JSON.parse(document.getElementById(plot.dataset.figure).textContent);
    let figure = { data: source.data, layout: { ...source.layout, template: HOUSE.template } };
    if (isDark) figure = recoloured(figure);
    figure.layout.autosize = true;
    delete figure.layout.width;
    if (narrow.matches) {
      figure.layout.font = { size: 12, ...figure.layout.font };
      shortNames(figure);
      // panels stand side by side: large numbers on their axes, and large titles, would run into each other
      const axes = Object.keys(figure.layout).filter((name) => /^yaxis\d*$/.test(name));
      if (axes.length > 2) {
        for (const name of axes) figure.layout[name] = { ...figure.layout[name], nticks: 4, tickfont: { size: 9 } };
      }
      for (const title of figure.layout.annotations || []) {
        if (title.xanchor === "left" && title.font && title.font.size === 13) title.font = { ...title.font, size: 10 };
      }
    }
    if (touched.matches) figure.layout.dragmode = false;
    await Plotly.react(plot, figure.data, figure.layout, {
      responsive: true,
      // its buttons would stand inside what is announced as one image, seven tab stops a figure
      displayModeBar: false,
    });
    // print scales a figure to the sheet, for which its drawing must know its own size
    for (const drawing of plot.querySelectorAll("svg.main-svg")) {
      drawing.setAttribute("viewBox", `0 0 ${drawing.getAttribute("width")} ${drawing.getAttribute("height")}`);
    }
  }

  function failed(plot, error) {
    plot.classList.add("failed");
    plot.removeAttribute("role");
    plot.removeAttribute("aria-label");
    plot.textContent = "This figure could not be drawn; its numbers are below.";
    const behind = plot.parentElement.querySelector("details");
    if (behind) behind.open = true;
    console.error(plot.id, error);
  }

  async function drawAll(isDark) {
    let drawn = 0;
    for (const plot of plots) {
      try {
        await draw(plot, isDark);
        drawn += 1;
      } catch (error) {
        failed(plot, error);
      }
    }
    document.documentElement.dataset.drawn = String(drawn);
    document.documentElement.dataset.scheme = isDark ? "dark" : "light";
  }

  dark.addEventListener("change", () => drawAll(dark.matches));
  window.addEventListener("beforeprint", () => { if (dark.matches) drawAll(false); });
  window.addEventListener("afterprint", () => { if (dark.matches) drawAll(true); });
  window.addEventListener("resize", () => {
    for (const drawing of document.querySelectorAll("svg.main-svg")) {
      requestAnimationFrame(() => {
        drawing.setAttribute("viewBox", `0 0 ${drawing.getAttribute("width")} ${drawing.getAttribute("height")}`);
      });
    }
  });
  drawAll(dark.matches);
})();
