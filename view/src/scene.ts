// Reads the scene: a GLB as docs/view.md defines it. Arrays are views of the file, nothing is copied.

export type Triple = readonly [number, number, number];

export interface Plane {
  readonly name: string;
  readonly origin_mm: Triple;
  readonly across: Triple;
  readonly up: Triple;
  readonly ends: readonly [string, string];
  readonly towards: string;
}

export interface Criterion {
  readonly number: number;
  readonly name: string;
  readonly state: "met" | "notmet" | "close" | "none";
  readonly side: "left" | "over" | null;
  readonly value: string;
  readonly expanded: string;
  readonly limits: string;
  readonly ruling: string;
  readonly reason: string | null;
  readonly aloud: string;
  readonly spots_mm: readonly Triple[];
  readonly reading: readonly [string, string | null, string | null];
}

export interface History {
  readonly lasted_s: number;
  readonly drawing: string;
  readonly plot_share: readonly [number, number];
  readonly events: readonly { words: string; start_s: number; point_mm: Triple; depth_mm: number }[];
}

interface WitnessFacts {
  readonly kind: string;
  readonly points: readonly [number, number];
  readonly segments: readonly [number, number];
  readonly curves: readonly (readonly [number, number])[];
}

interface ReadingFacts {
  readonly id: string;
  readonly where: string | null;
  readonly stat: string | null;
  readonly witness: WitnessFacts | null;
}

export interface Facts {
  readonly kerfmark_scene: number;
  readonly plain: boolean;
  readonly kind: string;
  readonly tooth: boolean;
  readonly mesial_sign: number;
  readonly floor_mm: number;
  readonly views: Readonly<Record<string, readonly [string, string]>>;
  readonly planes: readonly Plane[];
  readonly sites?: Readonly<Record<string, Triple>>;
  readonly questions?: Readonly<Record<string, { readonly site?: string; readonly side?: string }>>;
  readonly limit_mm?: number;
  readonly steps_mm?: readonly number[];
  readonly has_map?: boolean;
  readonly legend?: string;
  readonly tissues?: readonly string[];
  readonly criteria?: readonly Criterion[];
  readonly patches?: readonly { words: string; points_mm: readonly Triple[]; area_mm2: number }[];
  readonly history?: History | null;
  readonly assessment?: { readonly readings: readonly ReadingFacts[] };
}

export interface Part {
  readonly name: string;
  readonly lines: boolean;
  readonly indices: Uint32Array;
  readonly positions: Float32Array;
  readonly normals: Int16Array | null;
  readonly deviation: Float32Array | null;
  readonly time: Float32Array | null;
  readonly tissue: Uint8Array | null;
  readonly extras: Readonly<Record<string, unknown>>;
}

/** What a reading was taken from: x, y, z in a row, mm. */
export interface Witness {
  readonly kind: string;
  readonly points: Float32Array;
  readonly segments: Float32Array;
  readonly curves: readonly Float32Array[];
}

export interface Piece {
  readonly facts: Facts;
  readonly parts: ReadonlyMap<string, Part>;
  witness(criterion: Criterion): Witness | null;
}

const KNOWN_FORMAT = 1;
const JSON_CHUNK = 0x4e4f534a;

interface Accessor { bufferView: number; componentType: number; count: number; type: string }
interface Gltf {
  nodes: { name: string; mesh?: number; extras?: Record<string, unknown> }[];
  meshes?: { primitives: { attributes: Record<string, number>; indices: number; mode: number }[] }[];
  accessors?: Accessor[];
  bufferViews?: { byteOffset: number }[];
  extras: { kerfmark: Facts; loose: Record<string, number> };
}

export function readScene(data: ArrayBuffer): Piece {
  const head = new DataView(data);
  if (data.byteLength < 20 || head.getUint32(0, true) !== 0x46546c67 || head.getUint32(16, true) !== JSON_CHUNK) {
    throw new Error("no GLB");
  }
  const size = head.getUint32(12, true);
  const gltf = JSON.parse(new TextDecoder().decode(new Uint8Array(data, 20, size))) as Gltf;
  const facts = gltf.extras.kerfmark;
  if (facts.kerfmark_scene !== KNOWN_FORMAT) throw new Error(`scene format ${facts.kerfmark_scene}`);
  const array = reader(gltf, data, 28 + size);
  const parts = new Map<string, Part>();
  for (const node of gltf.nodes) {
    if (node.mesh === undefined) continue;
    const primitive = gltf.meshes?.[node.mesh]?.primitives[0];
    if (!primitive) continue;
    const attribute = (name: string): Numbers | null => {
      const at = primitive.attributes[name];
      return at === undefined ? null : array(at);
    };
    parts.set(node.name, {
      name: node.name,
      lines: primitive.mode === 1,
      indices: array(primitive.indices) as Uint32Array,
      positions: attribute("POSITION") as Float32Array,
      normals: attribute("_SOFT_NORMAL") as Int16Array | null,
      deviation: attribute("_DEVIATION_MM") as Float32Array | null,
      time: attribute("_TIME_S") as Float32Array | null,
      tissue: attribute("_TISSUE") as Uint8Array | null,
      extras: node.extras ?? {},
    });
  }
  const loose = gltf.extras.loose["witness"];
  const numbers = loose === undefined ? new Float32Array() : (array(loose) as Float32Array);
  return { facts, parts, witness: (criterion) => witnessOf(facts, numbers, criterion) };
}

type Numbers = Float32Array | Uint32Array | Int16Array | Uint8Array;

function reader(gltf: Gltf, data: ArrayBuffer, start: number): (at: number) => Numbers {
  const widths: Record<string, number> = { SCALAR: 1, VEC2: 2, VEC3: 3, VEC4: 4 };
  return (at) => {
    const accessor = gltf.accessors?.[at];
    const view = accessor && gltf.bufferViews?.[accessor.bufferView];
    if (!accessor || !view) throw new Error(`array ${at} is missing`);
    const count = accessor.count * (widths[accessor.type] ?? 1);
    const from = start + view.byteOffset;
    switch (accessor.componentType) {
      case 5126: return new Float32Array(data, from, count);
      case 5125: return new Uint32Array(data, from, count);
      case 5122: return new Int16Array(data, from, count);
      case 5121: return new Uint8Array(data, from, count);
      default: throw new Error(`array ${at} has kind ${accessor.componentType}`);
    }
  };
}

function witnessOf(facts: Facts, numbers: Float32Array, criterion: Criterion): Witness | null {
  const [id, where, stat] = criterion.reading;
  const found = facts.assessment?.readings.find((r) => r.id === id && r.where === where && r.stat === stat)?.witness;
  if (!found) return null;
  const held = ([first, count]: readonly [number, number]): Float32Array => numbers.subarray(3 * first, 3 * (first + count));
  return { kind: found.kind, points: held(found.points), segments: held(found.segments), curves: found.curves.map(held) };
}
