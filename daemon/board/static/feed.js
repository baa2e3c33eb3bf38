// The page's line to the board server: patches in, and the certainty that it is alive.

const SILENT_MS = 4000; // the server beats every second
const RETRY_MS = 2000;

export class Feed {
  // told: {hello, patch, beat, restarted}
  constructor(told) {
    this.told = told;
    this.heardMs = null; // performance.now() of the last beat
    this.heardAt = null; // Date of the last beat
    this.build = null;
    this.openedMs = 0;
    this.open();
  }

  open() {
    this.source?.close();
    this.openedMs = performance.now();
    const source = new EventSource("events");
    this.source = source;
    const on = (kind, take) =>
      source.addEventListener(kind, (event) => {
        if (source === this.source) take(JSON.parse(event.data));
      });
    on("hello", (hello) => this.greet(hello));
    on("patch", (patch) => this.told.patch(patch));
    on("beat", (beat) => {
      this.heardMs = performance.now();
      this.heardAt = new Date();
      this.told.beat(beat, this.heardMs);
    });
  }

  // A connection begins with everything: what was known before may be gone.
  greet(hello) {
    if (this.build !== null && this.build !== hello.build) {
      location.reload(); // the server was renewed, so is the page
      return;
    }
    this.build = hello.build;
    this.told.hello(hello);
  }

  // Both clocks count: one stands still while a laptop sleeps, the other may be set.
  isSilent() {
    if (this.heardMs === null) return performance.now() - this.openedMs > SILENT_MS;
    return performance.now() - this.heardMs > SILENT_MS || Date.now() - this.heardAt > SILENT_MS;
  }

  watch() {
    if (this.isSilent() && performance.now() - this.openedMs > RETRY_MS) this.open();
  }
}
