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
    try {
      localStorage.setItem("searcher-theme", theme);
    } catch {
      history.replaceState(null, "", theme === NIGHT ? "#" + NIGHT : "#day");
    }
  };
  const dress = (theme) => {
    root.dataset.theme = theme;
    byId("night").setAttribute("aria-pressed", String(theme === NIGHT));
  };
  byId("night").hidden = false;
  byId("night").addEventListener("click", () => {
    const theme = root.dataset.theme === NIGHT ? "day" : NIGHT;
    if (location.hash === "#" + NIGHT) history.replaceState(null, "", "#day");
    keep(theme);
    dress(theme);
  });
  dress(kept() === NIGHT ? NIGHT : "day");

  // ---- the map

  const live = JSON.parse(byId("map-data").textContent);
  const RADIUS = 6378137;
  const degrees = (radians) => (radians * 180) / Math.PI;
  const longitude = (x) => ((((live.lon + degrees(x / RADIUS) + 180) % 360) + 360) % 360) - 180;
  const latitude = (y) => degrees(Math.atan(Math.sinh(y / RADIUS)));

  const minutes = (value, letters, digits) => {
    const unit = 60 * 10 ** digits;
    const whole = Math.round(Math.abs(value) * unit);
    const rest = ((whole % unit) / 10 ** digits).toFixed(digits).padStart(digits ? digits + 3 : 2, "0");
    return `${Math.floor(whole / unit)}° ${rest}′ ${letters[value >= 0 || !whole ? 0 : 1]}`;
  };

  const grown = ([west, south, east, north], share) => {
    const [wide, high] = [share * (east - west), share * (north - south)];
    return [west - wide, south - high, east + wide, north + high];
  };

  function begin(plot) {
    const doc = plot.document;
    const sources = ["boxes", "ranks", "legs", "temperature breaks", "color changes", "convergence lines"]
      .map((name) => doc.get_model_by_name(name))
      .filter((source) => source !== null);
    const fields = doc.get_model_by_name("fields");
    const renderers = plot.renderers;
    const tagged = (layer) => renderers.filter((renderer) => renderer.glyph.tags.includes(layer));

    // where we look

    const middle = () => [(plot.x_range.start + plot.x_range.end) / 2, (plot.y_range.start + plot.y_range.end) / 2];
    const scale = () => (plot.x_range.end - plot.x_range.start) / plot.inner_width; // metres a pixel
    const look = ([x, y], metres) => {
      const wide = (metres * plot.inner_width) / 2;
      const high = (metres * plot.inner_height) / 2;
      plot.x_range.setv({ start: x - wide, end: x + wide });
      plot.y_range.setv({ start: y - high, end: y + high });
    };
    const lookAt = ([west, south, east, north]) =>
      look(
        [(west + east) / 2, (south + north) / 2],
        Math.max((east - west) / plot.inner_width, (north - south) / plot.inner_height),
      );
    const zoom = (factor) => look(middle(), Math.min(Math.max(scale() * factor, 2), 50000));
    const pan = (across, up) => {
      const [x, y] = middle();
      look([x + across * scale() * plot.inner_width, y + up * scale() * plot.inner_height], scale());
    };
    let width = plot.inner_width;
    let height = plot.inner_height;
    const spread = () => {
      for (const axis of plot.below) axis.ticker.desired_num_ticks = Math.max(2, Math.floor(width / 120));
      for (const axis of plot.left) axis.ticker.desired_num_ticks = Math.max(2, Math.floor(height / 120));
    };
    const refit = () => {
      if ((plot.inner_width === width && plot.inner_height === height) || !(plot.inner_width > 0)) return;
      const metres = (plot.x_range.end - plot.x_range.start) / width;
      [width, height] = [plot.inner_width, plot.inner_height];
      spread();
      look(middle(), metres);
    };
    plot.properties.inner_width.change.connect(() => setTimeout(refit));
    plot.properties.inner_height.change.connect(() => setTimeout(refit));
    byId("zoom-in").addEventListener("click", () => zoom(1 / 1.6));
    byId("zoom-out").addEventListener("click", () => zoom(1.6));
    byId("see-route").addEventListener("click", () => lookAt(grown(live.view, 0.06)));
    byId("see-all").addEventListener("click", () => lookAt(grown(live.whole, 0.02)));

    // edges in degrees and minutes

    for (const [axes, place, letters] of [
      [plot.below, longitude, "EW"],
      [plot.left, latitude, "NS"],
    ])
      for (const axis of axes) {
        axis.formatter.doFormat = (ticks) => {
          const fine = ticks.length > 1 && Math.abs(ticks[1] - ticks[0]) < 1700;
          return ticks.map((tick) => minutes(place(tick), letters, fine ? 1 : 0));
        };
        axis.change.emit();
      }

    // values under the pointer

    const value = (name, x, y) => {
      const box = live.boxes[name];
      if (!box) return NaN;
      const grid = fields.get_column(name)[0];
      const [rows, columns] = grid.shape;
      const row = Math.floor(((y - box[1]) / box[3]) * rows);
      const column = Math.floor(((x - box[0]) / box[2]) * columns);
      return row < 0 || row >= rows || column < 0 || column >= columns ? NaN : grid[row * columns + column];
    };
    const span = (hours) => (hours < 48 ? `${Math.round(hours)} h` : `${(hours / 24).toFixed(1)} days`);
    const words = (x, y) => {
      const said = [`${minutes(latitude(y), "NS", 2)}  ${minutes(longitude(x), "EW", 2)}`];
      const [temperature, age] = [value("temperature", x, y), value("doubt", x, y)];
      if (Number.isFinite(temperature)) {
        const seen = Number.isFinite(age) ? `, seen ${span(Math.max(age, 0))} before leaving` : "";
        said.push(`${temperature.toFixed(1)} ${live.units.temperature}${seen}`);
      }
      const [u, v] = [value("u", x, y), value("v", x, y)];
      if (Number.isFinite(u) && Number.isFinite(v)) {
        const to = String(Math.round((degrees(Math.atan2(u, v)) + 360) % 360) % 360).padStart(3, "0");
        said.push(`current ${Math.hypot(u, v).toFixed(1)} ${live.units.speed} to ${to}°`);
      }
      const matter = value("matter", x, y);
      const give = matter * value("matter_doubt", x, y);
      if (Number.isFinite(matter))
        said.push(`floating matter ×${matter.toFixed(1)}${give >= 0.05 ? ` ± ${give.toFixed(1)}` : ""}`);
      const depth = value("depth", x, y);
      if (Number.isFinite(depth)) said.push(`depth ${depth.toFixed(0)} ${live.units.depth}`);
      return said.join(" · ");
    };
    const readout = byId("readout");
    const tell = (x, y) => {
      readout.textContent = words(x, y);
    };
    plot.on_event("mousemove", (event) => tell(event.x, event.y));
    plot.on_event("tap", (event) => tell(event.x, event.y));

    // layers

    for (const box of document.querySelectorAll("[data-layer]")) {
      const set = () => {
        for (const renderer of tagged(box.dataset.layer)) renderer.visible = box.checked;
      };
      box.addEventListener("change", set);
      set(); // browsers may keep a form's state over a reload
    }

    // stories

    const panel = byId("stories");
    const pick = byId("pick");
    const stories = new Map([...panel.querySelectorAll("[data-story]")].map((node) => [node.dataset.story, node]));
    const show = (names) => {
      for (const [name, node] of stories) node.hidden = !names.has(name);
      panel.hidden = ![...names].some((name) => stories.has(name));
      pick.value = [...names].find((name) => stories.has(name)) ?? "";
    };
    const picked = () =>
      new Set(sources.flatMap((source) => source.selected.indices.map((k) => source.get_column("story")[k])));
    const choose = (name) => {
      for (const source of sources) {
        const names = Array.from(source.get_column("story"));
        source.selected.indices = names.flatMap((each, k) => (each === name ? [k] : []));
      }
    };
    const reveal = (name) => {
      for (const source of sources) {
        const k = Array.from(source.get_column("story")).indexOf(name);
        const [xs, ys] = [source.get_column("xs"), source.get_column("ys")];
        if (k < 0 || !xs) continue;
        const inside = (values, range) => Math.min(...values) < range.end && Math.max(...values) > range.start;
        if (inside(xs[k], plot.x_range) && inside(ys[k], plot.y_range)) return;
        const mean = (values) => (Math.min(...values) + Math.max(...values)) / 2;
        look([mean(xs[k]), mean(ys[k])], scale());
        return;
      }
    };
    for (const source of sources) source.selected.properties.indices.change.connect(() => show(picked()));
    pick.addEventListener("change", () => {
      const name = pick.value;
      choose(name);
      if (name) reveal(name);
    });
    byId("close-stories").addEventListener("click", () => {
      choose("");
      pick.focus();
    });

    // by keys

    const holder = byId("live-map");
    const [cross] = tagged("cross");
    const aim = (shown) => {
      const [x, y] = middle();
      cross.data_source.data = { x: [x], y: [y] };
      cross.visible = shown;
      if (shown) tell(x, y);
    };
    const keys = {
      ArrowLeft: () => pan(-0.12, 0),
      ArrowRight: () => pan(0.12, 0),
      ArrowUp: () => pan(0, 0.12),
      ArrowDown: () => pan(0, -0.12),
      "+": () => zoom(1 / 1.4),
      "=": () => zoom(1 / 1.4),
      "-": () => zoom(1.4),
      0: () => lookAt(grown(live.whole, 0.02)),
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

    spread();
    lookAt(grown(live.view, 0.06));
    holder.dataset.ready = "yes";
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
