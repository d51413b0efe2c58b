"use strict";
// Measures on the WGS84 ellipsoid of places [longitude, latitude] in degrees.
const A_M = 6378137, E2 = 0.00669437999014132, E = Math.sqrt(E2), RAD = Math.PI / 180;

// Metres of a degree of longitude and of latitude there.
function degreeM(lat) {
  const w = 1 - E2 * Math.sin(lat * RAD) ** 2;
  return { lon: RAD * A_M * Math.cos(lat * RAD) / Math.sqrt(w), lat: RAD * A_M * (1 - E2) / w ** 1.5 };
}

// The area under a parallel is that by the authalic function q of Snyder (1987, USGS Professional
// Paper 1395, equation 3-12).
function authalic(lat) {
  const s = Math.sin(lat * RAD);
  return (1 - E2) * (s / (1 - E2 * s * s) - Math.log((1 - E * s) / (1 + E * s)) / (2 * E));
}

// Hectares inside a ring of corners.
function ringHa(corners) {
  if (corners.length < 3) return 0;
  const [lon0, q0] = [corners[0][0], authalic(corners[0][1])];
  const flat = corners.map(([lon, lat]) => [(lon - lon0) * RAD, authalic(lat) - q0]);
  let twice = 0;
  flat.forEach(([x, y], i) => { const [x2, y2] = flat[(i + 1) % flat.length]; twice += x * y2 - x2 * y; });
  return Math.abs(twice) / 2 * A_M * A_M / 2 / 1e4;
}

// Direction of the longest side of several rings, degrees from north below 180; null without one.
function longestSide(rings) {
  let most = 0, degrees = null;
  for (const corners of rings) corners.forEach((a, k) => {
    const b = corners[(k + 1) % corners.length], unit = degreeM(a[1]);
    const [x, y] = [(b[0] - a[0]) * unit.lon, (b[1] - a[1]) * unit.lat];
    if (Math.hypot(x, y) > most) { most = Math.hypot(x, y); degrees = (Math.atan2(x, y) / RAD + 360) % 180; }
  });
  return degrees;
}
