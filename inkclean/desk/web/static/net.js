// Everything that goes to the desk's own server and comes back from it.

const base = new URL(".", document.baseURI);

export const at = (path) => new URL(path, base).href;

class Refused extends Error {}

async function answer(asked) {
  let reply;
  try {
    reply = await asked;
  } catch {
    throw new Refused("The desk does not answer. Your work is saved. Go on when it is back.");
  }
  const words = await reply.json().catch(() => ({ why: "The desk did not answer." }));
  if (!reply.ok) throw new Refused(words.why ?? "The desk refused this.");
  return words;
}

export const get = (path) => answer(fetch(at(path)));

export const post = (path, body = null) =>
  answer(
    fetch(at(path), {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify(body),
    }),
  );

/** Send a photo; `tell` hears how far it is, 0..1. With a `goal` its page is brought there at once. */
export function send(file, tell, goal = "") {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", at(`api/photos?name=${encodeURIComponent(file.name)}&goal=${goal}`));
    request.upload.onprogress = (e) => e.lengthComputable && tell(e.loaded / e.total);
    request.onerror = () => reject(new Refused(`${file.name} was not uploaded. Try again.`));
    request.onload = () => {
      let words = {};
      try {
        words = JSON.parse(request.responseText);
      } catch {
        words = { why: request.responseText };
      }
      if (request.status === 200) resolve(words);
      else reject(new Refused(words.why));
    };
    request.send(file);
  });
}

/** Hear all that happens on the desk; `lost` and `back` tell of the line itself. */
export function listen(hear, lost, back) {
  const line = new EventSource(at("api/events"));
  let broken = false;
  line.onmessage = (e) => hear(JSON.parse(e.data));
  line.onerror = () => {
    if (!broken) lost();
    broken = true;
  };
  line.onopen = () => {
    if (broken) back();
    broken = false;
  };
}
