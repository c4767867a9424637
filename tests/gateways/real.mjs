// The gateway under MicroPython itself, compiled to WebAssembly: node real.mjs NODE_MODULES PROGRAMS SCRIPT
// MicroPython's file system is in memory; the network is SCRIPT's.
import { readFileSync, readdirSync } from "node:fs";
import { join } from "node:path";
import { pathToFileURL } from "node:url";

const [packages, programs, script] = process.argv.slice(2);
const module = join(packages, "@micropython/micropython-webassembly-pyscript/micropython.mjs");
const { loadMicroPython } = await import(pathToFileURL(module));
const python = await loadMicroPython({ heapsize: 200_000, linebuffer: true, stdout: (line) => console.log(line) });
for (const name of readdirSync(programs)) {
  if (name.startsWith("micropython_")) python.FS.writeFile("/" + name, readFileSync(join(programs, name)));
}
python.runPython(readFileSync(script, "utf8"));
