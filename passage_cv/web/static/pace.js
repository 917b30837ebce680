// How fast bytes really go: over the last half minute in which something was on its way. Pauses count nothing.
"use strict";

class Pace {
  constructor(span = 30) { this.span = span; this.parts = []; this.since = null; }

  // Something begins, or goes on; times are in seconds.
  go(now) { if (this.since === null) this.since = now; }

  // Nothing is on its way: a pause, a line that is down, files being read.
  rest() { this.since = null; }

  // So many bytes were sent since the last word; after a rest this only begins the clock.
  sent(bytes, now) {
    if (this.since !== null) this.parts.push({ bytes, took: Math.max(0, now - this.since) });
    this.since = now;
    while (this.parts.length > 1 && this.took() - this.parts[0].took >= this.span) this.parts.shift();
  }

  took() { return this.parts.reduce((sum, one) => sum + one.took, 0); }

  // Seconds that so many bytes will take; null until two seconds of sending can tell.
  left(bytes) {
    const took = this.took(), sent = this.parts.reduce((sum, one) => sum + one.bytes, 0);
    return took >= 2 && sent > 0 ? (bytes * took) / sent : null;
  }
}
