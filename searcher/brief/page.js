"use strict";
// What the page does: day and night, and the map. Texts are only ever set as text; nothing is loaded or sent.
(() => {
  const byId = (id) => document.getElementById(id);
  const root = document.documentElement;

  // ---- day and night: kept where the browser lets us keep things, else in the page's own address

  const NIGHT = "night";
  const kept = () => {
    if (location.hash === "#" + NIGHT) return NIGHT;
    try {
      return localStorage.getItem("searcher-theme");
    } catch {
      return null;
    }
  };
  const keep = (theme) => {
    if (location.hash === "#" + NIGHT) history.replaceState(null, "", "#day");
    try {
      localStorage.setItem("searcher-theme", theme);
    } catch {
      history.replaceState(null, "", "#" + theme);
    }
  };
  const dress = (theme) => {
    root.dataset.theme = theme;
    byId("night").setAttribute("aria-pressed", String(theme === NIGHT));
  };
  byId("night").hidden = false;
  byId("night").addEventListener("click", () => {
    const theme = root.dataset.theme === NIGHT ? "day" : NIGHT;
    keep(theme);
    dress(theme);
  });
  dress(kept() === NIGHT ? NIGHT : "day");

  // a link within the page must not take the place of the night that is kept in the address
  document.addEventListener("click", (event) => {
    const link = event.target.closest("a[href^='#']");
    if (!link || location.hash !== "#" + NIGHT) return;
    event.preventDefault();
    location.replace(link.hash);
    history.replaceState(null, "", "#" + NIGHT);
  });

  // ---- places: metres of the map to degrees, and degrees in words

  const live = JSON.parse(byId("map-data").textContent);
  const { longitude, latitude, minutes } = seaWords.placesOf(live.lon);
  const grown = ([west, south, east, north], share) => {
    const [wide, high] = [share * (east - west), share * (north - south)];
    return [west - wide, south - high, east + wide, north + high];
  };
  const ROUTE = grown(live.view, 0.06);
  const NEAR = grown(live.near, 0.02);
  const WHOLE = grown(live.whole, 0.02);

  // ---- where we look: a middle and metres a pixel, the same up as across

  class Outlook {
    constructor(plot) {
      this.plot = plot;
      this.size = [plot.inner_width, plot.inner_height];
      for (const side of ["inner_width", "inner_height"])
        plot.properties[side].change.connect(() => setTimeout(() => this.refit()));
    }
    get middle() {
      const { x_range: x, y_range: y } = this.plot;
      return [(x.start + x.end) / 2, (y.start + y.end) / 2];
    }
    get scale() {
      return (this.plot.x_range.end - this.plot.x_range.start) / this.size[0];
    }
    look([x, y], scale) {
      const [wide, high] = this.size.map((side) => (scale * side) / 2);
      this.plot.x_range.setv({ start: x - wide, end: x + wide });
      this.plot.y_range.setv({ start: y - high, end: y + high });
    }
    lookAt([west, south, east, north]) {
      const scale = Math.max((east - west) / this.size[0], (north - south) / this.size[1]);
      this.look([(west + east) / 2, (south + north) / 2], scale);
    }
    zoom(factor) {
      this.look(this.middle, Math.min(Math.max(this.scale * factor, 2), 50000));
    }
    pan(across, up) {
      const [x, y] = this.middle;
      this.look([x + across * this.scale * this.size[0], y + up * this.scale * this.size[1]], this.scale);
    }
    refit() {
      const { inner_width: wide, inner_height: high } = this.plot;
      if (!(wide > 0) || (wide === this.size[0] && high === this.size[1])) return;
      const scale = this.scale; // by the size that was
      this.size = [wide, high];
      this.space();
      this.look(this.middle, scale);
    }
    space() {
      for (const axis of this.plot.below) axis.ticker.desired_num_ticks = Math.max(2, Math.floor(this.size[0] / 120));
      for (const axis of this.plot.left) axis.ticker.desired_num_ticks = Math.max(2, Math.floor(this.size[1] / 120));
    }
  }

  function writeEdges(axes, place, letters) {
    for (const axis of axes) {
      axis.formatter.doFormat = (ticks) => {
        const fine = ticks.length > 1 && Math.abs(ticks[1] - ticks[0]) < 1700; // under a minute
        return ticks.map((tick) => minutes(place(tick), letters, fine ? 1 : 0));
      };
      axis.change.emit();
    }
  }

  // ---- layers

  const SHADINGS = ["temperature", "matter"]; // their colours would mix: one takes the place of the other

  function switchLayers(tagged) {
    const boxes = [...document.querySelectorAll("[data-layer]")];
    const set = (box) => {
      for (const renderer of tagged(box.dataset.layer)) renderer.visible = box.checked;
    };
    const rivals = (box) => boxes.filter((other) => other !== box && SHADINGS.includes(other.dataset.layer));
    for (const box of boxes) {
      box.addEventListener("change", () => {
        if (box.checked && SHADINGS.includes(box.dataset.layer)) {
          for (const other of rivals(box)) {
            other.checked = false;
            set(other);
          }
        }
        set(box);
      });
      set(box);
    }
  }

  // ---- the map is one stop of the tab key: what the library adds has neither a name nor a use for keys

  function* within(node) {
    for (const child of node.children) {
      yield child;
      if (child.shadowRoot) yield* within(child.shadowRoot);
      yield* within(child);
    }
  }

  function oneStop() {
    for (const node of within(byId("live-map"))) if (node.tabIndex === 0) node.tabIndex = -1;
  }

  // ---- stories of what is picked, on the map or from the list

  function tellStories(sources, outlook) {
    const [panel, pick] = [byId("stories"), byId("pick")];
    const stories = new Map([...panel.querySelectorAll("[data-story]")].map((node) => [node.dataset.story, node]));
    const names = (source) => Array.from(source.get_column("story"));
    const show = () => {
      const picked = new Set(sources.flatMap((source) => source.selected.indices.map((k) => names(source)[k])));
      for (const [name, node] of stories) node.hidden = !picked.has(name);
      const told = [...picked].filter((name) => stories.has(name));
      panel.hidden = !told.length;
      pick.value = told[0] ?? "";
    };
    const choose = (name) => {
      for (const source of sources)
        source.selected.indices = names(source).flatMap((each, k) => (each === name ? [k] : []));
    };
    const reveal = (name) => {
      const source = sources.find((each) => each.get_column("xs") && names(each).includes(name));
      if (!source) return;
      const k = names(source).indexOf(name);
      const ends = ["xs", "ys"].map((side) => source.get_column(side)[k]);
      const spans = ends.map((values) => [Math.min(...values), Math.max(...values)]);
      const ranges = [outlook.plot.x_range, outlook.plot.y_range];
      const seen = spans.every(([low, high], side) => low < ranges[side].end && high > ranges[side].start);
      if (!seen)
        outlook.look(
          spans.map(([low, high]) => (low + high) / 2),
          outlook.scale,
        );
    };
    for (const source of sources) source.selected.properties.indices.change.connect(show);
    pick.addEventListener("change", () => {
      const name = pick.value;
      choose(name);
      if (name) reveal(name);
    });
    byId("close-stories").addEventListener("click", () => {
      choose("");
      pick.focus();
    });
  }

  // ---- by keys, with a cross in the middle whose values are told

  function steerByKeys(outlook, cross, tell) {
    const holder = byId("live-map");
    const aim = (shown) => {
      const [x, y] = outlook.middle;
      cross.data_source.data = { x: [x], y: [y] };
      cross.visible = shown;
      if (shown) tell(x, y);
    };
    const keys = {
      ArrowLeft: () => outlook.pan(-0.12, 0),
      ArrowRight: () => outlook.pan(0.12, 0),
      ArrowUp: () => outlook.pan(0, 0.12),
      ArrowDown: () => outlook.pan(0, -0.12),
      "+": () => outlook.zoom(1 / 1.4),
      "=": () => outlook.zoom(1 / 1.4),
      "-": () => outlook.zoom(1.4),
      0: () => outlook.lookAt(WHOLE),
    };
    holder.addEventListener("keydown", (event) => {
      const act = keys[event.key];
      if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      act();
      aim(true);
    });
    holder.addEventListener("pointerdown", () => aim(false));
    holder.addEventListener("blur", () => aim(false));
  }

  function begin(plot) {
    const named = (name) => plot.document.get_model_by_name(name);
    const tagged = (layer) => plot.renderers.filter((renderer) => renderer.glyph.tags.includes(layer));
    const kinds = ["boxes", "ranks", "legs", "temperature breaks", "color changes", "convergence lines"];
    const outlook = new Outlook(plot);
    const words = seaWords.reader(live, named("fields"));
    const tell = (x, y) => {
      byId("readout").textContent = words(x, y);
    };
    writeEdges(plot.below, longitude, "EW");
    writeEdges(plot.left, latitude, "NS");
    for (const event of ["mousemove", "tap"]) plot.on_event(event, ({ x, y }) => tell(x, y));
    switchLayers(tagged);
    tellStories(kinds.map(named).filter(Boolean), outlook);
    steerByKeys(outlook, tagged("cross")[0], tell);
    byId("zoom-in").addEventListener("click", () => outlook.zoom(1 / 1.6));
    byId("zoom-out").addEventListener("click", () => outlook.zoom(1.6));
    byId("see-route").addEventListener("click", () => outlook.lookAt(ROUTE));
    byId("see-near").addEventListener("click", () => outlook.lookAt(NEAR));
    byId("see-all").addEventListener("click", () => outlook.lookAt(WHOLE));
    outlook.space();
    outlook.lookAt(ROUTE);
    oneStop();
    byId("live-map").dataset.ready = "yes";
  }

  async function start() {
    root.classList.add("live");
    try {
      Bokeh.logger.set_level("error");
      await Bokeh.embed.embed_item(live.item);
      const plot = Bokeh.documents.at(-1).get_model_by_name("map");
      const ready = () => (plot.inner_width > 0 ? begin(plot) : setTimeout(ready, 20));
      ready();
    } catch (error) {
      root.classList.remove("live"); // the still map stands there instead
      throw error;
    }
  }
  start();
})();
