// The Khronos validator's verdict on a glTF file, as one line of JSON.
const fs = require("fs");
const validator = require("gltf-validator");

validator
  .validateBytes(new Uint8Array(fs.readFileSync(process.argv[2])), { maxIssues: 20 })
  .then((found) => {
    const { numErrors, numWarnings, numInfos, messages } = found.issues;
    const codes = messages.map((m) => `${m.code} ${m.pointer || ""}`);
    console.log(JSON.stringify({ errors: numErrors, warnings: numWarnings, infos: numInfos, codes }));
  });
