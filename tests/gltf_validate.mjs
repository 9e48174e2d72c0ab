// The Khronos validator over the files named; prints one JSON report a line.
import fs from "fs";
import path from "path";
import { createRequire } from "module";

const [folder, ...files] = process.argv.slice(2);
const validator = createRequire(path.join(folder, "here.js"))("gltf-validator");
for (const file of files) {
  const beside = (uri) =>
    fs.promises
      .readFile(path.join(path.dirname(file), decodeURIComponent(uri)))
      .then((data) => new Uint8Array(data));
  const report = await validator.validateBytes(new Uint8Array(fs.readFileSync(file)), {
    uri: file,
    maxIssues: 0,
    externalResourceFunction: beside,
  });
  console.log(JSON.stringify(report));
}
