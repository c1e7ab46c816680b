// Light, dark or as the system has it; charts are drawn in the colours of the theme in force.
(function () {
  "use strict";
  const { set } = window.slopewatch;
  const THEMES = ["auto", "light", "dark"];
  const KEY = "slopewatch-theme";
  const system = window.matchMedia("(prefers-color-scheme: dark)");

  function chosen() {
    try {
      return localStorage.getItem(KEY) || "auto";
    } catch (error) {
      return "auto";
    }
  }

  function choose(name) {
    try {
      if (name === "auto") localStorage.removeItem(KEY);
      else localStorage.setItem(KEY, name);
    } catch (error) {
      // private window: the choice lasts until the page is closed
    }
    if (name === "auto") delete document.documentElement.dataset.theme;
    else document.documentElement.dataset.theme = name;
    return name;
  }

  function effective(name) {
    return name === "auto" ? (system.matches ? "dark" : "light") : name;
  }

  system.addEventListener("change", () => set("theme", { data: effective(chosen()) }));

  function switchTheme(clicks) {
    let name = chosen();
    if (clicks) name = choose(THEMES[(THEMES.indexOf(name) + 1) % THEMES.length]);
    return ["Colours: " + name, effective(name)];
  }

  // ---- charts --------------------------------------------------------------------------
  // A figure comes in the light theme's colours; each is a role, so another theme's value
  // of the same role can stand in for it.
  function recolour(value, swap) {
    if (typeof value === "string") return swap[value] || value;
    if (Array.isArray(value)) return value.map((item) => recolour(item, swap));
    if (value && typeof value === "object") {
      const out = {};
      for (const key of Object.keys(value)) out[key] = recolour(value[key], swap);
      return out;
    }
    return value;
  }

  function paint(source, theme, palettes) {
    if (!source) return window.dash_clientside.no_update;
    const swap = {};
    for (const role of Object.keys(palettes.light)) {
      swap[palettes.light[role]] = palettes[theme || "light"][role];
    }
    const figure = recolour(source.figure, swap);
    if (window.innerWidth < 600) narrow(figure.layout);
    if (window.matchMedia("(pointer: coarse)").matches) figure.layout.dragmode = false;
    return {
      namespace: "dash_core_components",
      type: "Graph",
      props: Object.assign({}, source, { figure: figure }),
    };
  }

  function narrow(layout) {
    layout.margin = Object.assign({}, layout.margin, { l: 40, r: 10 });
    for (const axis of Object.keys(layout).filter((key) => /^xaxis/.test(key))) {
      layout[axis].nticks = 5;
    }
  }

  Object.assign(window.dash_clientside.slopewatch, { switchTheme: switchTheme, paint: paint });
})();
