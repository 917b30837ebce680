// Run by test_scripts.py: our SHA-256 against the one of the runtime, for every length around a block.
import { createHash, randomBytes } from "node:crypto";
import { readFileSync } from "node:fs";

const Sha256 = new Function(`${readFileSync(process.argv[2], "utf8")}; return Sha256;`)();
for (const n of [0, 1, 55, 56, 57, 63, 64, 65, 119, 120, 128, 1000, 100003]) {
  const bytes = randomBytes(n), sum = new Sha256();
  for (let at = 0; at < n; at += 37) sum.update(bytes.subarray(at, Math.min(n, at + 37)));
  if (sum.hex() !== createHash("sha256").update(bytes).digest("hex")) throw new Error(`wrong at ${n} bytes`);
}
console.log("same");
