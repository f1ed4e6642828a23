"use strict";
// Colours of pictures on a light and on a dark ground; each is moved towards the ink until it can be read.

const chartColours = (() => {
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const paper = window.matchMedia("print");
  const READABLE = 4.5;  // contrast of text (WCAG 2.2, 1.4.3)
  const LIGHT = {
    ground: "#fdfdfc", ink: "#000000", faint: "#595959", line: "#dcdcd7", frame: "#8f8f8a",
    limit: "#a33e00", failed: "#a33e00", reference: "#00517f", reading: "#00517f", trigger: "#8a2b66", centre: "#00684c",
    rare: "#a3267a", mask: "#a33e00", strip: "#f3ecb0", counts: ["#3a87b7", "#0b5c91", "#000000"],
  };
  const DARK = {
    ground: "#16181a", ink: "#ececea", faint: "#b3b3ad", line: "#34383b", frame: "#75797d",
    limit: "#ff9a5c", failed: "#ff9a5c", reference: "#8ecbf2", reading: "#8ecbf2", trigger: "#f0a5cf", centre: "#4fd1a5",
    rare: "#ff9ad5", mask: "#ff9a5c", strip: "#4a4520", counts: ["#4f93c0", "#9bd0f2", "#ffffff"],
  };

  const parts = (colour) => [1, 3, 5].map((at) => parseInt(colour.slice(at, at + 2), 16));
  const text = (rgb) => "#" + rgb.map((one) => Math.round(one).toString(16).padStart(2, "0")).join("");
  const mixed = (one, other, share) => parts(one).map((part, at) => part + (parts(other)[at] - part) * share);

  function luminance(colour) {
    const linear = parts(colour).map((part) => part / 255).map((one) => (one <= 0.04045 ? one / 12.92 : ((one + 0.055) / 1.055) ** 2.4));
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2];
  }

  function contrast(one, other) {
    const [low, high] = [luminance(one), luminance(other)].sort((a, b) => a - b);
    return (high + 0.05) / (low + 0.05);
  }

  const known = new Map();
  function readable(colour, look) {
    const key = colour + look.ground;
    if (!known.has(key)) {
      let found = colour === "#000000" ? look.ink : colour.toLowerCase();  // ink is light on a dark ground
      for (let share = 0; contrast(found, look.ground) < READABLE && share <= 1; share += 0.05) found = text(mixed(colour, look.ink, share));
      known.set(key, found);
    }
    return known.get(key);
  }

  // 256 colours from few to many, as red, green, blue
  function ramp(look) {
    const [few, some, many] = look.counts;
    return Array.from({ length: 256 }, (_, at) => (at < 128 ? mixed(few, some, at / 128) : mixed(some, many, (at - 128) / 127)));
  }

  const look = () => (dark.matches && !paper.matches ? DARK : LIGHT);
  function follow(paint) {
    dark.addEventListener("change", paint);
    paper.addEventListener("change", paint);
    return () => { dark.removeEventListener("change", paint); paper.removeEventListener("change", paint); };
  }

  return { look, follow, readable, ramp, contrast, LIGHT, DARK };
})();
