"use strict";
// Questions to the server of this page. What goes wrong comes back as words, never as silence.
const NO_ANSWER = "No answer from soilquilt. Is it still open?", NO_WORDS = "soilquilt could not answer this. Load the page again.";

// The server's answer as JSON with `ok`; with something to send the question is a POST.
async function ask(path, sent) {
  const headers = { "x-soilquilt": "1" }, post = sent !== undefined;
  if (post && !(sent instanceof FormData)) {
    headers["content-type"] = "application/json";
    sent = JSON.stringify(sent);
  }
  let answer;
  try { answer = await fetch(path, post ? { method: "POST", headers, body: sent } : { headers }); }
  catch { return { error: NO_ANSWER, ok: false }; }
  try { return { ...await answer.json(), ok: answer.ok }; }
  catch { return { error: NO_WORDS, ok: false }; }
}

// Of questions that follow each other only the last one's answer counts, and none after `drop`:
// a late answer would write over what the page has said since. The others come back as null.
function lastOf() {
  let turn = 0;
  return {
    drop() { turn += 1; },
    async ask(path, sent) {
      const mine = ++turn, answer = await ask(path, sent);
      return mine === turn ? answer : null;
    },
  };
}
