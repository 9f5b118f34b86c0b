// The main job with the types that `openapi-typescript` makes of `openapi/openapi.json`, and those that
// `json-schema-to-typescript` makes of `GET /v1/vocabulary/schema`: a case is classified, answer and record are
// read, a problem is told.
//
//     node made/main_job.js http://localhost:8000 KEY

import createClient from "openapi-fetch";

import type { Case } from "./case.js";
import type { components, paths } from "./coldcase.js";

type SentCase = components["schemas"]["Case"];

const [address = "", key = ""] = process.argv.slice(2);
const client = createClient<paths>({ baseUrl: address, headers: { Authorization: `Bearer ${key}` } });

const unit: SentCase["unit"] = { compressor_type: "scroll", motor: "three_phase", refrigerant: "R-448A" };
// The types of the rule table's own schema know every finding and outcome.
const observations: Case["observations"] = {
  copper_plating: "heavy",
  filter_drier: "wet",
  oil_clarity: "stays_milky",
};
// @ts-expect-error: there is no such finding
const slipOfAFinding: Case["observations"] = { copper_platting: "heavy" };
// @ts-expect-error: the finding has no such outcome
const slipOfAnOutcome: Case["observations"] = { copper_plating: "heavily" };

async function classify(seen: Case["observations"], key: string) {
  const body: SentCase = { unit, observations: { ...seen } as NonNullable<SentCase["observations"]> };
  return client.POST("/v1/classifications", { params: { header: { "Idempotency-Key": key } }, body });
}

const first = await classify(observations, "ts-1");
if (!first.data?.id) throw new Error(`refused: ${JSON.stringify(first.error)}`);
const again = await classify(observations, "ts-1");
if (again.data?.id !== first.data.id) throw new Error("not repeated");
const record = await client.GET("/v1/decisions/{id}", { params: { path: { id: first.data.id } } });
if (!record.data || typeof record.data === "string") throw new Error("not on record");
console.log(first.data.cause, first.data.status === "coded", record.data.chain.length, record.data.verdicts.length);

for (const slip of [slipOfAFinding, slipOfAnOutcome]) {
  const refused = await classify(slip, "ts-2");
  if (refused.error?.type !== "/problems/bad_case") throw new Error("not refused");
  for (const flaw of refused.error.errors ?? []) console.log(refused.error.type, flaw.pointer, flaw.suggestion ?? "");
}
