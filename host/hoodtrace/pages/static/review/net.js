// Talks with the program: refusals come as Refused with their text, a program that is not there as Gone.
export class Refused extends Error {
  constructor(text, status) {
    super(text);
    this.status = status;
  }
}
export class Gone extends Error {
  constructor(anew) {
    super("gone");
    this.anew = anew; // another start of the program answers here: this page is over
  }
}

const PATIENCE_MS = 15000; // a program that stands still does not answer either

async function asked(path, options, patience_ms = PATIENCE_MS) {
  const signal = AbortSignal.timeout(patience_ms);
  const answer = await fetch(path, { cache: "no-store", credentials: "same-origin", signal, ...options }).catch(() => null);
  if (answer === null) throw new Gone(false);
  if (answer.headers.get("x-hoodtrace")) throw new Gone(true);
  if (answer.ok) return answer;
  const text = await answer.json().then((found) => found.refused, () => `${answer.status}`);
  throw new Refused(text, answer.status);
}

const whole = (read) => read.catch(() => { throw new Gone(false); });
export const get = async (path, patience_ms) => whole((await asked(path, {}, patience_ms)).json());
export const post = async (path, body) =>
  whole((await asked(path, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) })).json());

// x, taps, vane as arrays that the chart takes: null where there is nothing.
export async function series(x0, x1, n) {
  const bytes = await whole((await asked(`/review/series?x0=${x0}&x1=${x1}&n=${n}`)).arrayBuffer());
  const k = new DataView(bytes).getUint32(0, true);
  const floats = new Float32Array(bytes, 8 + 8 * k);
  const holed = (from) => {
    const out = new Array(k);
    for (let i = 0; i < k; i++) out[i] = Number.isNaN(floats[from + i]) ? null : floats[from + i];
    return out;
  };
  return [Array.from(new Float64Array(bytes, 8, k)), holed(k), holed(0)];
}

// Does one thing at a time; of what is asked meanwhile only the newest is done. An answer that is no longer wanted is
// dropped by `cancel`.
export function newest(work, take, fail) {
  let busy = false, waiting, round = 0;
  async function go(wanted) {
    busy = true;
    const mine = round;
    try {
      const found = await work(wanted);
      if (mine === round) take(found, wanted);
    } catch (error) {
      if (mine === round) fail(error, wanted);
    }
    busy = false;
    if (waiting !== undefined) {
      const next = waiting;
      waiting = undefined;
      go(next);
    }
  }
  return {
    ask: (wanted) => (busy ? (waiting = wanted) : go(wanted)),
    cancel: () => { waiting = undefined; round++; },
  };
}
