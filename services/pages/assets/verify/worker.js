// Checks a record beside the page, so that the page stays as it is meanwhile. Its address names the other two files.
"use strict";

const files = new URLSearchParams(location.search);
importScripts(files.get("exec"));

const ready = (async () => {
  const go = new Go();
  const answer = await fetch(files.get("wasm"));
  const { instance } = await WebAssembly.instantiate(await answer.arrayBuffer(), go.importObject);
  go.run(instance);
})();

onmessage = async (message) => {
  const { record, key, older } = message.data;
  try {
    await ready;
    postMessage(JSON.parse(lotpaperCheck(new Uint8Array(record), key, older)));
  } catch (e) {
    postMessage({ failed: String(e) });
  }
};
