"use strict";
// "I am here": the place the browser knows. Only where it runs on the machine that serves the page.
// `found` is given [longitude, latitude] and the accuracy in metres, 19 times in 20.
function iAmHere(found) {
  const $ = (id) => document.getElementById(id);
  const ownMachine = window.isSecureContext && ["127.0.0.1", "localhost", "[::1]"].includes(location.hostname) && "geolocation" in navigator;
  $("here").hidden = $("herehow").hidden = !ownMachine;
  function located({ coords: { latitude, longitude, accuracy } }) {
    const coarse = accuracy > 30 ? " That is too coarse for a corner, good enough to find the field." : "";
    $("heresaid").textContent = `You are within ${accuracy < 10 ? accuracy.toFixed(1) : Math.round(accuracy)} m of the dot, 19 times in 20.${coarse}`;
    $("heretools").hidden = false;
    found([longitude, latitude], accuracy);
  }
  function lost(error) {
    $("heretools").hidden = true;
    $("heresaid").textContent = error.code === 1 ? "The browser was not allowed to say where you are. Allow it for this page beside the address, or type the corner."
      : error.code === 3 ? "No place was found within 20 seconds. Try again under open sky, or type the corner."
      : "This computer cannot say where it is. Take the place from your phone and type the corner.";
  }
  $("here").addEventListener("click", () => {
    $("heresaid").textContent = "Looking for your place";
    navigator.geolocation.getCurrentPosition(located, lost, { enableHighAccuracy: true, timeout: 20000, maximumAge: 0 });
  });
}
