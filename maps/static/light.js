"use strict";
// Before anything is drawn: day, night or sun, as remembered on this device.
(() => {
  let light = null;
  try { light = localStorage.getItem("light"); } catch { /* no storage: follow the system */ }
  if (["day", "night", "sun"].includes(light)) document.documentElement.dataset.light = light;
})();
