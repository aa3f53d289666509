"use strict";
// Places of a map in words, and what the sea says there. The page has it, and the desk.
const seaWords = (() => {
  const RADIUS = 6378137;
  const degrees = (radians) => (radians * 180) / Math.PI;
  const minutes = (value, letters, digits) => {
    const unit = 60 * 10 ** digits;
    const whole = Math.round(Math.abs(value) * unit);
    const rest = ((whole % unit) / 10 ** digits).toFixed(digits).padStart(digits ? digits + 3 : 2, "0");
    return `${Math.floor(whole / unit)}° ${rest}′ ${letters[value >= 0 || !whole ? 0 : 1]}`;
  };

  // metres of a map about the meridian `lon` to degrees
  const placesOf = (lon) => ({
    longitude: (x) => ((((lon + degrees(x / RADIUS) + 180) % 360) + 360) % 360) - 180,
    latitude: (y) => degrees(Math.atan(Math.sinh(y / RADIUS))),
    minutes,
  });

  // live: `lon` of the map, `boxes` of its fields and `units` of what they hold; fields: their values
  function reader(live, fields) {
    const value = (name, x, y) => {
      if (!live.boxes[name]) return NaN;
      const [left, low, wide, high] = live.boxes[name];
      const grid = fields.get_column(name)[0];
      const [rows, columns] = grid.shape;
      const row = Math.floor(((y - low) / high) * rows);
      const column = Math.floor(((x - left) / wide) * columns);
      return row < 0 || row >= rows || column < 0 || column >= columns ? NaN : grid[row * columns + column];
    };
    const span = (hours) => (hours < 48 ? `${Math.round(hours)} h` : `${(hours / 24).toFixed(1)} days`);
    const temperature = (x, y) => {
      const [degree, age] = [value("temperature", x, y), value("doubt", x, y)];
      const seen = Number.isFinite(age) ? `, seen ${span(Math.max(age, 0))} before leaving` : "";
      if (Number.isFinite(degree)) return `${degree.toFixed(1)} ${live.units.temperature}${seen}`;
      return Number.isFinite(value("u", x, y)) ? "temperature in no clear view" : ""; // nothing is known ashore
    };
    const current = (x, y) => {
      const [u, v] = [value("u", x, y), value("v", x, y)];
      const to = String(Math.round((degrees(Math.atan2(u, v)) + 360) % 360) % 360).padStart(3, "0");
      return Number.isFinite(u + v) ? `current ${Math.hypot(u, v).toFixed(1)} ${live.units.speed} to ${to}°` : "";
    };
    const matter = (x, y) => {
      const times = value("matter", x, y);
      const give = times * value("matter_doubt", x, y);
      const doubt = give >= 0.05 ? ` ± ${give.toFixed(1)}` : "";
      return Number.isFinite(times) ? `floating matter ×${times.toFixed(1)}${doubt}` : "";
    };
    const depth = (x, y) => {
      const floor = value("depth", x, y);
      return Number.isFinite(floor) ? `depth ${floor.toFixed(0)} ${live.units.depth}` : "";
    };
    const { longitude, latitude } = placesOf(live.lon);
    const place = (x, y) => `${minutes(latitude(y), "NS", 2)}  ${minutes(longitude(x), "EW", 2)}`;
    const parts = [place, temperature, current, matter, depth];
    return (x, y) => parts.map((part) => part(x, y)).filter(Boolean).join(" · ");
  }
  return { placesOf, reader };
})();
