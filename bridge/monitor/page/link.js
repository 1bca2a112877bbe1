// The WebSocket: comes back by itself, and tells the daemon when nobody is looking.
// The token comes with the link. It stays in this tab (a reload keeps it) and out of the address bar.

const FIRST_WAIT_MS = 400;
const LONGEST_WAIT_MS = 5000;

const TOKEN = "token";
const NO_TOKEN = "Open the link that the program printed: it holds the token that this page needs.";
const OLD_TOKEN = "The program was started anew: open the link that it printed.";

export function takeToken() {
  const given = new URLSearchParams(location.search).get(TOKEN);
  if (given) sessionStorage.setItem(TOKEN, given);
  if (location.search) history.replaceState(null, "", location.pathname + location.hash);
  return sessionStorage.getItem(TOKEN);
}

export class Link {
  // on: { open(), text(message), binary(buffer), down(words) }; resume() says how far we are.
  constructor(token, on, resume) {
    this.token = token;
    this.on = on;
    this.resume = resume;
    this.wait = FIRST_WAIT_MS;
    this.socket = null;
    this.over = false;
    document.addEventListener("visibilitychange", () => this.tellVisible());
    addEventListener("pagehide", () => { this.over = true; this.socket?.close(); });
    addEventListener("pageshow", (event) => { if (event.persisted) { this.over = false; this.connect(); } });
    this.connect();
  }

  connect() {
    if (!this.token) {
      this.on.down(NO_TOKEN);
      return;
    }
    const socket = new WebSocket(`ws://${location.host}/live`);
    socket.binaryType = "arraybuffer";
    this.socket = socket;
    socket.onopen = () => {
      this.wait = FIRST_WAIT_MS;
      this.send({ type: "start", token: this.token, ...this.resume() });
      this.tellVisible();
      this.on.open();
    };
    socket.onmessage = ({ data }) => {
      if (typeof data === "string") this.on.text(JSON.parse(data));
      else this.on.binary(data);
    };
    socket.onclose = (event) => { if (!this.over) this.again(event); };
  }

  async again(event) {
    let words = event.code === 1001 ? "The program has ended. Waiting for it to start again …" : "Connection lost. Trying again …";
    try {
      const answer = await fetch("/status", { headers: { Authorization: `Bearer ${this.token}` } });
      if (answer.status === 401) {
        this.on.down(OLD_TOKEN);
        return;
      }
    } catch { /* nobody answers: the words above say so */ }
    this.on.down(words);
    setTimeout(() => this.connect(), this.wait);
    this.wait = Math.min(LONGEST_WAIT_MS, this.wait * 1.7);
  }

  tellVisible() { this.send({ type: "view", visible: document.visibilityState === "visible" }); }

  send(message) {
    if (this.socket?.readyState !== WebSocket.OPEN) return false;
    this.socket.send(JSON.stringify(message));
    return true;
  }
}
