// SHA-256 (FIPS 180-4), fed piece by piece.
"use strict";

const SHA256_K = (() => {
  const primes = [];
  for (let n = 2; primes.length < 64; n++) if (primes.every((p) => n % p)) primes.push(n);
  return { start: primes.slice(0, 8).map((p) => fraction(Math.sqrt(p))), round: Uint32Array.from(primes, (p) => fraction(Math.cbrt(p))) };
  function fraction(x) { return ((x - Math.floor(x)) * 2 ** 32) | 0; }
})();

class Sha256 {
  constructor() {
    this.state = Int32Array.from(SHA256_K.start);
    this.rest = new Uint8Array(64);
    this.filled = 0;
    this.length = 0;
    this.words = new Int32Array(64);
  }

  update(bytes) {
    this.length += bytes.length;
    let at = 0;
    if (this.filled) {
      at = Math.min(64 - this.filled, bytes.length);
      this.rest.set(bytes.subarray(0, at), this.filled);
      this.filled += at;
      if (this.filled < 64) return;
      this.block(this.rest, 0);
      this.filled = 0;
    }
    for (; at + 64 <= bytes.length; at += 64) this.block(bytes, at);
    this.rest.set(bytes.subarray(at), 0);
    this.filled = bytes.length - at;
  }

  block(bytes, at) {
    const w = this.words, k = SHA256_K.round;
    for (let i = 0; i < 16; i++, at += 4) w[i] = (bytes[at] << 24) | (bytes[at + 1] << 16) | (bytes[at + 2] << 8) | bytes[at + 3];
    for (let i = 16; i < 64; i++) {
      const x = w[i - 15], y = w[i - 2];
      const s0 = ((x >>> 7) | (x << 25)) ^ ((x >>> 18) | (x << 14)) ^ (x >>> 3);
      const s1 = ((y >>> 17) | (y << 15)) ^ ((y >>> 19) | (y << 13)) ^ (y >>> 10);
      w[i] = (w[i - 16] + s0 + w[i - 7] + s1) | 0;
    }
    const z = this.state;
    let a = z[0], b = z[1], c = z[2], d = z[3], e = z[4], f = z[5], g = z[6], h = z[7];
    for (let i = 0; i < 64; i++) {
      const s1 = ((e >>> 6) | (e << 26)) ^ ((e >>> 11) | (e << 21)) ^ ((e >>> 25) | (e << 7));
      const t1 = (h + s1 + ((e & f) ^ (~e & g)) + k[i] + w[i]) | 0;
      const s0 = ((a >>> 2) | (a << 30)) ^ ((a >>> 13) | (a << 19)) ^ ((a >>> 22) | (a << 10));
      const t2 = (s0 + ((a & b) ^ (a & c) ^ (b & c))) | 0;
      h = g; g = f; f = e; e = (d + t1) | 0; d = c; c = b; b = a; a = (t1 + t2) | 0;
    }
    z[0] += a; z[1] += b; z[2] += c; z[3] += d; z[4] += e; z[5] += f; z[6] += g; z[7] += h;
  }

  hex() {
    const bits = this.length * 8;
    const end = new Uint8Array(this.filled < 56 ? 64 : 128);
    end.set(this.rest.subarray(0, this.filled));
    end[this.filled] = 0x80;
    new DataView(end.buffer).setUint32(end.length - 8, Math.floor(bits / 2 ** 32));
    new DataView(end.buffer).setUint32(end.length - 4, bits >>> 0);
    for (let at = 0; at < end.length; at += 64) this.block(end, at);
    return [...this.state].map((word) => (word >>> 0).toString(16).padStart(8, "0")).join("");
  }
}

// The browser's own is several times faster, but exists on secure pages only and wants the file in one piece.
async function sha256OfFile(file, piece = 4 << 20) {
  if (globalThis.crypto && crypto.subtle && file.size <= 16 * piece) {
    const sum = new Uint8Array(await crypto.subtle.digest("SHA-256", await file.arrayBuffer()));
    return [...sum].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  }
  const sum = new Sha256();
  for (let at = 0; at < file.size; at += piece) sum.update(new Uint8Array(await file.slice(at, at + piece).arrayBuffer()));
  return sum.hex();
}
