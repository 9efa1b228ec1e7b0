// Draws the piece: one pass of surfaces and lines, one of hollows, one that puts the picture together; and a small
// second picture that says what stands where, for outlines, for hiding leaders, for pointing.
import {
  BufferAttribute, BufferGeometry, ColorManagement, CustomBlending, DepthTexture, DoubleSide, FrontSide, FloatType, GLSL3,
  InstancedBufferAttribute, InstancedBufferGeometry, LinearSRGBColorSpace, Mesh, NearestFilter, NoBlending, OneFactor,
  OneMinusSrcAlphaFactor, OrthographicCamera, RawShaderMaterial, Scene, SrcAlphaFactor, UnsignedByteType, Vector2, Vector3, Vector4,
  WebGLRenderer, WebGLRenderTarget, ZeroFactor, LinearFilter,
} from "three";
import type { IUniform, Object3D, Side } from "three";
import { along, dot, unit } from "./camera";
import type { Camera, Vector } from "./camera";
import { softNormals } from "./normals";
import type { Part, Piece } from "./scene";
import { CAP_FRAGMENT, FINISH_FRAGMENT, FULL_VERTEX, HOLLOWS_FRAGMENT, LINE_FRAGMENT, LINE_VERTEX, PROBE_FRAGMENT, SURFACE_FRAGMENT, SURFACE_VERTEX } from "./shaders";
import type { Colours, Rgb } from "./colours";

export type Mode = "plain" | "map" | "tissue";

export interface Shown {
  mode: Mode;
  target: boolean;
  other: boolean;
  neighbours: boolean;
  /** Seconds after the motion's first; null for the finished piece. */
  at: number | null;
  /** Outward normal and offset of the plane the piece is opened at; null while it is whole. */
  open: { normal: Vector; offset: number } | null;
}

/** A small picture of what stands where. `part`: 0 nothing, 1 the piece, 2 a ghost. `near`: mm towards the eye. */
export interface Seen {
  width: number;
  height: number;
  perPx: number;
  part: Uint8Array;
  near: Float32Array;
}

/** Another piece laid over this one. */
export const OTHER = "other";

const DEEP = 120;
const OTHER_CLEAR_MM = 0.05;
const HOLLOW_REACH_MM = 1.6;
/** Hollows are soft: half the picture's resolution shows them. */
const HOLLOWS_SHARE = 0.5;
const KEY_LIGHT: Vector = [-0.48, 0.62, 0.62];
const OUTLINE_PX = 0.55;
const LEAP_MM = 0.6;
const PROBE_PX = 340;

type Uniforms = Record<string, IUniform>;

export class Painter {
  readonly renderer: WebGLRenderer;
  private readonly eye = new OrthographicCamera();
  private readonly whole = new Scene();
  private readonly full = new Mesh(fullTriangle());
  private readonly uniforms: Uniforms;
  private readonly finish: RawShaderMaterial;
  private readonly hollow: RawShaderMaterial;
  private readonly probe: RawShaderMaterial;
  private readonly surfaces = new Map<string, Mesh>();
  private readonly lines: { mesh: Mesh; width: number }[] = [];
  private readonly cutLine: Mesh;
  private readonly cap: Mesh;
  private readonly waiting = new Map<string, () => void>();
  private picture: WebGLRenderTarget | null = null;
  private hollows: WebGLRenderTarget | null = null;
  private readonly small = new WebGLRenderTarget(1, 1, { type: UnsignedByteType, minFilter: NearestFilter, magFilter: NearestFilter });
  private readonly fullScene = new Scene();

  constructor(canvas: HTMLCanvasElement, private readonly piece: Piece, colours: Colours) {
    ColorManagement.enabled = false;
    const context = canvas.getContext("webgl2", { alpha: true, antialias: false, depth: true, premultipliedAlpha: true, powerPreference: "low-power" });
    if (!context) throw new NoDrawingError();
    this.renderer = new WebGLRenderer({ canvas, context, alpha: true, antialias: false });
    this.renderer.outputColorSpace = LinearSRGBColorSpace;
    this.renderer.autoClear = false;
    this.renderer.setClearColor(0, 0);
    this.renderer.debug.checkShaderErrors = false;
    this.uniforms = surfaceUniforms(piece);
    this.finish = material(FULL_VERTEX, FINISH_FRAGMENT, {
      picture: { value: null }, hollows: { value: null }, depth: { value: null }, most: { value: new Vector2() }, finer: { value: 1 },
      deep: { value: DEEP }, leap: { value: LEAP_MM }, reach: { value: 1 }, dark: { value: 0 }, size: { value: new Vector2() }, ink: { value: new Vector3() },
    });
    this.hollow = material(FULL_VERTEX, HOLLOWS_FRAGMENT, {
      depth: { value: null }, scale: { value: new Vector2() }, most: { value: new Vector2() }, deep: { value: DEEP }, perMm: { value: 1 }, reach: { value: 8 },
    });
    for (const m of [this.finish, this.hollow]) { m.depthTest = false; m.depthWrite = false; }
    this.probe = material(SURFACE_VERTEX, PROBE_FRAGMENT, {
      floorAt: this.uniforms["floorAt"]!, open: this.uniforms["open"]!, plane: this.uniforms["plane"]!, behind: { value: 0 },
    });
    this.probe.side = DoubleSide;
    this.full.frustumCulled = false;
    this.fullScene.add(this.full);
    this.build();
    this.cutLine = this.addLine(new Float32Array(), 1.6, 1);
    this.cap = new Mesh(new BufferGeometry(), material(SURFACE_VERTEX, CAP_FRAGMENT, { ...this.uniforms, behind: { value: 0 } }, DoubleSide));
    this.cap.frustumCulled = false;
    this.whole.add(this.cap);
    this.recolour(colours);
  }

  private build(): void {
    for (const part of this.piece.parts.values()) {
      const kind = part.name.startsWith("neighbour ") ? 3 : ["piece", "before", "target"].indexOf(part.name);
      if (kind === 0) this.addSurface(part, kind);
      else if (kind > 0) this.waiting.set(part.name, () => { this.addSurface(part, kind); });
      if (part.name === "margin") this.addLine(pieces(part), 0.9, 1);
      if (part.name.startsWith("isoline ")) {
        const level = Math.abs(Number(part.extras["level_mm"]));
        const outer = level < (this.piece.facts.limit_mm ?? 0) + 0.01;
        this.addLine(pieces(part), outer ? 1.05 : 0.7, outer ? 1 : 0.6, "isoline");
      }
    }
  }

  private addSurface(part: Part, kind: number): void {
    const geometry = new BufferGeometry();
    const normals = part.normals ?? softNormals(part.positions, part.indices);
    geometry.setIndex(new BufferAttribute(part.indices, 1));
    geometry.setAttribute("position", new BufferAttribute(part.positions, 3));
    geometry.setAttribute("softNormal", new BufferAttribute(normals, 2, true));
    if (part.deviation) geometry.setAttribute("deviation", new BufferAttribute(part.deviation, 1));
    if (part.time) geometry.setAttribute("laidBare", new BufferAttribute(part.time, 1));
    if (part.tissue) geometry.setAttribute("tissue", new BufferAttribute(part.tissue, 4));
    const behind = kind === 2 ? (2 * (part.name === OTHER ? OTHER_CLEAR_MM : (this.piece.facts.limit_mm ?? 0.15))) / DEEP : 0;
    geometry.computeBoundingBox();
    const own: Uniforms = { ...this.uniforms, kind: { value: kind }, behind: { value: behind } };
    const mesh = new Mesh(geometry, material(SURFACE_VERTEX, SURFACE_FRAGMENT, own, DoubleSide));
    mesh.frustumCulled = false;
    mesh.name = part.name;
    this.surfaces.set(part.name, mesh);
    this.whole.add(mesh);
  }

  private addLine(ends: Float32Array, width: number, cover: number, name = "line"): Mesh {
    const own: Uniforms = {
      size: { value: new Vector2(1, 1) }, width: { value: width }, towards: { value: 0 }, floorAt: this.uniforms["floorAt"]!,
      ink: { value: new Vector3() }, cover: { value: cover },
    };
    const drawn = material(LINE_VERTEX, LINE_FRAGMENT, own, DoubleSide);
    drawn.blending = CustomBlending;
    [drawn.blendSrc, drawn.blendDst] = [SrcAlphaFactor, OneMinusSrcAlphaFactor];
    [drawn.blendSrcAlpha, drawn.blendDstAlpha] = [ZeroFactor, OneFactor];
    drawn.depthWrite = false;
    drawn.transparent = true;
    const mesh = new Mesh(lineGeometry(ends), drawn);
    mesh.frustumCulled = false;
    mesh.name = name;
    mesh.renderOrder = 1;
    this.lines.push({ mesh, width });
    this.whole.add(mesh);
    return mesh;
  }

  /** Where the section plane cuts the piece: the curve as loose pieces (x, y, z, x, y, z, …), the area as triangles. */
  setCut(ends: Float32Array, area: Float32Array): void {
    this.cutLine.geometry.dispose();
    this.cutLine.geometry = lineGeometry(ends);
    this.cap.geometry.dispose();
    this.cap.geometry = new BufferGeometry();
    this.cap.geometry.setAttribute("position", new BufferAttribute(area, 3));
  }

  /** Another piece's surface, to be shown over this one. */
  addOther(part: Part): void {
    this.waiting.set(OTHER, () => { this.addSurface({ ...part, name: OTHER }, 2); });
  }

  has(name: string): boolean {
    return this.waiting.has(name) || this.surfaces.has(name);
  }

  /** Ghosts are made ready when they are first asked for. */
  private ready(name: string): void {
    this.waiting.get(name)?.();
    this.waiting.delete(name);
  }

  recolour(colours: Colours): void {
    const put = (name: string, value: Rgb): void => { (this.uniforms[name]!.value as Vector3).set(...value); };
    put("matt", colours.matt);
    put("rule", colours.rule);
    put("ink", colours.ink);
    put("sheet", colours.sheet);
    (this.uniforms["steps"]!.value as Vector3[]).forEach((step, i) => step.set(...colours.steps[i]!));
    (this.finish.uniforms["ink"]!.value as Vector3).set(...colours.ink);
    for (const { mesh } of this.lines) ((mesh.material as RawShaderMaterial).uniforms["ink"]!.value as Vector3).set(...colours.ink);
  }

  /** Draws the picture: 0 at once, 1 with hollows, 2 with finer samples too, which takes several times as long. */
  draw(camera: Camera, shown: Shown, ratio: number, quality: number): void {
    const fine = quality > 0;
    const finer = quality > 1 && ratio < 2 ? 2 : 1;
    const [width, height] = [Math.round(camera.width * ratio), Math.round(camera.height * ratio)];
    this.sizeTo(width, height, finer, camera);
    const perPx = ratio * finer;
    this.place(camera, shown, perPx);
    const picture = this.picture!;
    this.renderer.setRenderTarget(picture);
    this.renderer.clear();
    this.renderer.render(this.whole, this.eye);
    this.finishInto(camera, picture, { width, height, finer, perPx, fine });
  }

  private finishInto(camera: Camera, picture: WebGLRenderTarget, how: { width: number; height: number; finer: number; perPx: number; fine: boolean }): void {
    const most = new Vector2(picture.width - 1, picture.height - 1);
    const hollows = this.hollows!;
    if (how.fine) {
      const u = this.hollow.uniforms;
      u["depth"]!.value = picture.depthTexture;
      (u["scale"]!.value as Vector2).set(picture.width / hollows.width, picture.height / hollows.height);
      u["most"]!.value = most;
      u["perMm"]!.value = HOLLOWS_SHARE * camera.scale;
      u["reach"]!.value = Math.max(8 * HOLLOWS_SHARE, HOLLOWS_SHARE * HOLLOW_REACH_MM * camera.scale);
      this.pass(this.hollow, hollows, this.within(camera, HOLLOWS_SHARE));
    }
    const u = this.finish.uniforms;
    u["picture"]!.value = picture.texture;
    u["hollows"]!.value = hollows.texture;
    u["depth"]!.value = picture.depthTexture;
    u["most"]!.value = most;
    u["finer"]!.value = how.finer;
    u["reach"]!.value = Math.max(1, OUTLINE_PX * how.perPx);
    u["dark"]!.value = how.fine ? 0.62 : 0;
    (u["size"]!.value as Vector2).set(how.width, how.height);
    this.pass(this.finish, null, this.within(camera, how.width / camera.width));
  }

  /** What part of the picture anything solid may cover, px from the lower left: the rest needs no work. */
  private within(camera: Camera, ratio: number): Vector4 {
    const project = camera.projector();
    let [left, top, right, bottom] = [Infinity, Infinity, -Infinity, -Infinity];
    for (const mesh of this.surfaces.values()) {
      const box = mesh.visible ? mesh.geometry.boundingBox : null;
      if (!box) continue;
      for (let corner = 0; corner < 8; corner++) {
        const low = Math.max(box.min.z, this.piece.facts.floor_mm);
        const [x, y] = project([corner & 1 ? box.max.x : box.min.x, corner & 2 ? box.max.y : box.min.y, corner & 4 ? box.max.z : low]);
        [left, right, top, bottom] = [Math.min(left, x), Math.max(right, x), Math.min(top, y), Math.max(bottom, y)];
      }
    }
    const [x0, x1] = [Math.max(0, Math.floor((left - 4) * ratio)), Math.min(camera.width * ratio, Math.ceil((right + 4) * ratio))];
    const [y0, y1] = [Math.max(0, Math.floor((camera.height - bottom - 4) * ratio)), Math.min(camera.height * ratio, Math.ceil((camera.height - top + 4) * ratio))];
    return new Vector4(x0, y0, Math.max(1, x1 - x0), Math.max(1, y1 - y0));
  }

  private pass(with_: RawShaderMaterial, into: WebGLRenderTarget | null, within: Vector4): void {
    this.full.material = with_;
    this.renderer.setRenderTarget(into);
    this.renderer.clear();
    const state = this.renderer.state;
    state.setScissorTest(true);
    state.scissor(within);
    this.renderer.render(this.fullScene, this.eye);
    state.setScissorTest(false);
  }

  private sizeTo(width: number, height: number, finer: number, camera: Camera): void {
    const canvas = this.renderer.domElement;
    if (canvas.width !== width || canvas.height !== height) this.renderer.setSize(width, height, false);
    if (!this.picture || this.picture.width !== width * finer || this.picture.height !== height * finer) {
      this.picture?.dispose();
      const depthTexture = new DepthTexture(width * finer, height * finer, FloatType);
      this.picture = new WebGLRenderTarget(width * finer, height * finer, { minFilter: NearestFilter, magFilter: NearestFilter, depthTexture });
    }
    const [w, h] = [Math.max(1, Math.round(HOLLOWS_SHARE * camera.width)), Math.max(1, Math.round(HOLLOWS_SHARE * camera.height))];
    if (!this.hollows || this.hollows.width !== w || this.hollows.height !== h) {
      this.hollows?.dispose();
      this.hollows = new WebGLRenderTarget(w, h, { minFilter: LinearFilter, magFilter: LinearFilter, depthBuffer: false });
    }
  }

  private place(camera: Camera, shown: Shown, perPx: number): void {
    this.aim(camera);
    const { right, up, eye } = camera.axes();
    const light = unit(along(along([KEY_LIGHT[0] * right[0], KEY_LIGHT[0] * right[1], KEY_LIGHT[0] * right[2]], KEY_LIGHT[1], up), KEY_LIGHT[2], eye));
    const put = (name: string, value: unknown): void => { this.uniforms[name]!.value = value; };
    (this.uniforms["light"]!.value as Vector3).set(...light);
    (this.uniforms["eye"]!.value as Vector3).set(...eye);
    put("perPx", perPx);
    put("at", shown.at ?? -1);
    put("mode", { plain: 0, map: 1, tissue: 2 }[shown.mode]);
    this.openAt(shown, eye);
    for (const name of [...this.waiting.keys()]) if (this.isDrawn(name, shown)) this.ready(name);
    for (const [name, mesh] of this.surfaces) mesh.visible = this.isDrawn(name, shown);
    this.cap.visible = shown.open !== null;
    for (const { mesh, width } of this.lines) {
      mesh.visible = mesh.geometry.getAttribute("from") !== undefined && (mesh.name !== "isoline" || (shown.mode === "map" && shown.at === null)) && !(mesh !== this.cutLine && shown.open !== null);
      const u = (mesh.material as RawShaderMaterial).uniforms;
      (u["size"]!.value as Vector2).set(camera.width * perPx, camera.height * perPx);
      u["width"]!.value = Math.max(1, width * perPx);
      u["towards"]!.value = (2 * 0.05) / DEEP;
    }
  }

  private isDrawn(name: string, shown: Shown): boolean {
    if (name === "before") return shown.at !== null;
    if (name === "target") return shown.target && shown.open === null;
    if (name === OTHER) return shown.other && shown.open === null;
    return name === "piece" || shown.neighbours;
  }

  private openAt(shown: Shown, eye: Vector): void {
    const open = shown.open;
    const sign = open && dot(open.normal, eye) < 0 ? -1 : 1;
    if (open) (this.uniforms["plane"]!.value as Vector4).set(sign * open.normal[0], sign * open.normal[1], sign * open.normal[2], sign * open.offset);
    this.uniforms["open"]!.value = open ? 1 : 0;
  }

  private aim(camera: Camera): void {
    const { right, up, eye } = camera.axes();
    const [w, h] = [camera.width / 2 / camera.scale, camera.height / 2 / camera.scale];
    const e = this.eye;
    [e.left, e.right, e.top, e.bottom, e.near, e.far] = [-w, w, h, -h, 0, DEEP];
    const at = along(camera.middle, DEEP / 2, eye);
    e.matrixAutoUpdate = false;
    e.matrix.set(right[0], up[0], eye[0], at[0], right[1], up[1], eye[1], at[1], right[2], up[2], eye[2], at[2], 0, 0, 0, 1);
    e.matrixWorld.copy(e.matrix);
    e.matrixWorldInverse.copy(e.matrix).invert();
    e.updateProjectionMatrix();
  }

  /** A small picture of what stands where: the piece (and what else is drawn solid), or one ghost alone. */
  look(camera: Camera, shown: Shown, ghost: string | null): Seen {
    const perPx = Math.min(1, PROBE_PX / Math.max(camera.width, camera.height));
    const [width, height] = [Math.max(8, Math.round(camera.width * perPx)), Math.max(8, Math.round(camera.height * perPx))];
    if (this.small.width !== width || this.small.height !== height) this.small.setSize(width, height);
    this.aim(camera);
    this.openAt(ghost === null ? shown : { ...shown, open: null }, camera.axes().eye);
    this.cap.visible = ghost === null && shown.open !== null;
    if (ghost !== null) this.ready(ghost);
    for (const { mesh } of this.lines) mesh.visible = false;
    for (const [name, mesh] of this.surfaces) mesh.visible = ghost === null ? name === "piece" || (name.startsWith("neighbour ") && shown.neighbours) : name === ghost;
    this.whole.overrideMaterial = this.probe;
    this.renderer.setRenderTarget(this.small);
    this.renderer.clear();
    this.renderer.render(this.whole, this.eye);
    this.whole.overrideMaterial = null;
    const bytes = new Uint8Array(4 * width * height);
    this.renderer.readRenderTargetPixels(this.small, 0, 0, width, height, bytes);
    this.renderer.setRenderTarget(null);
    return decoded(bytes, width, height, perPx);
  }

  /** The middle of the piece, mm. */
  middle(): Vector3 {
    const box = this.surfaces.get("piece")?.geometry.boundingBox;
    if (!box) return new Vector3();
    const low = box.min.clone().setZ(Math.max(box.min.z, this.piece.facts.floor_mm));
    return low.add(box.max).multiplyScalar(0.5);
  }

  /** What is drawn, for a picture in perspective elsewhere; until `takeBack`. */
  lend(shown: Shown): Object3D[] {
    for (const [name, mesh] of this.surfaces) mesh.visible = this.isDrawn(name, shown);
    for (const { mesh } of this.lines) mesh.visible = mesh.geometry.getAttribute("from") !== undefined && mesh !== this.cutLine && (mesh.name !== "isoline" || shown.mode === "map");
    this.cap.visible = false;
    const put = (name: string, value: number): void => { this.uniforms[name]!.value = value; };
    put("solid", 1);
    put("open", 0);
    put("at", -1);
    put("perPx", 2);
    put("mode", { plain: 0, map: 1, tissue: 2 }[shown.mode]);
    for (const { mesh, width } of this.lines) {
      const u = (mesh.material as RawShaderMaterial).uniforms;
      (u["size"]!.value as Vector2).set(1400, 1400);
      u["width"]!.value = 1.6 * width;
      u["towards"]!.value = 2e-4;
    }
    return [...this.whole.children];
  }

  /** Where the eye stands, in the tooth frame, while what is drawn is lent. */
  lookFrom(x: number, y: number, z: number): void {
    const middle = this.middle();
    const eye = new Vector3(x, y, z).sub(middle).normalize();
    (this.uniforms["eye"]!.value as Vector3).copy(eye);
    const right = new Vector3(0, 0, 1).cross(eye).normalize();
    const up = eye.clone().cross(right);
    (this.uniforms["light"]!.value as Vector3).set(0, 0, 0)
      .addScaledVector(right, KEY_LIGHT[0]).addScaledVector(up, KEY_LIGHT[1]).addScaledVector(eye, KEY_LIGHT[2]).normalize();
  }

  takeBack(): void {
    for (const mesh of [...this.surfaces.values(), ...this.lines.map((l) => l.mesh), this.cap]) this.whole.add(mesh);
    this.uniforms["solid"]!.value = 0;
    this.renderer.setSize(1, 1, false);
  }

  /** Comes back when everything asked for is drawn. */
  wait(): void {
    const context = this.renderer.getContext();
    context.readPixels(0, 0, 1, 1, context.RGBA, context.UNSIGNED_BYTE, new Uint8Array(4));
  }

  dispose(): void {
    for (const mesh of [...this.surfaces.values(), ...this.lines.map((l) => l.mesh), this.cap]) {
      mesh.geometry.dispose();
      (mesh.material as RawShaderMaterial).dispose();
    }
    for (const target of [this.picture, this.hollows, this.small]) target?.dispose();
    this.renderer.dispose();
    this.renderer.forceContextLoss();
  }
}

export class NoDrawingError extends Error {}

function material(vertexShader: string, fragmentShader: string, uniforms: Uniforms, side: Side = FrontSide): RawShaderMaterial {
  return new RawShaderMaterial({ glslVersion: GLSL3, vertexShader, fragmentShader, uniforms, side, blending: NoBlending });
}

function surfaceUniforms(piece: Piece): Uniforms {
  const { facts } = piece;
  const limit = facts.limit_mm ?? 1e6;
  const [one = 0, two = 0, three = 0] = facts.steps_mm ?? [];
  const number = (name: string): number => (facts.tissues ?? []).indexOf(name) + 1 || -1;
  return {
    light: { value: new Vector3() }, eye: { value: new Vector3() }, matt: { value: new Vector3() }, rule: { value: new Vector3() },
    ink: { value: new Vector3() }, sheet: { value: new Vector3() }, steps: { value: Array.from({ length: 6 }, () => new Vector3()) },
    levels: { value: new Vector3(limit + one, limit + two, limit + three) }, floorAt: { value: facts.floor_mm }, at: { value: -1 },
    perPx: { value: 1 }, mode: { value: 0 }, open: { value: 0 }, solid: { value: 0 }, pulp: { value: number("pulp") }, enamel: { value: number("enamel") },
    plane: { value: new Vector4() },
  };
}

function fullTriangle(): BufferGeometry {
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(new Float32Array([-1, -1, 0, 3, -1, 0, -1, 3, 0]), 3));
  return geometry;
}

/** Loose pieces of a part of lines. */
function pieces(part: Part): Float32Array {
  const out = new Float32Array(part.indices.length * 3);
  part.indices.forEach((index, i) => out.set(part.positions.subarray(3 * index, 3 * index + 3), 3 * i));
  return out;
}

function lineGeometry(ends: Float32Array): BufferGeometry {
  const geometry = new InstancedBufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(new Float32Array(12), 3));
  geometry.setAttribute("corner", new BufferAttribute(new Float32Array([0, 0, 1, 0, 0, 1, 1, 1]), 2));
  geometry.setIndex([0, 1, 2, 2, 1, 3]);
  if (!ends.length) return geometry;
  const count = ends.length / 6;
  const [from, to] = [new Float32Array(3 * count), new Float32Array(3 * count)];
  for (let i = 0; i < count; i++) {
    from.set(ends.subarray(6 * i, 6 * i + 3), 3 * i);
    to.set(ends.subarray(6 * i + 3, 6 * i + 6), 3 * i);
  }
  geometry.setAttribute("from", new InstancedBufferAttribute(from, 3));
  geometry.setAttribute("to", new InstancedBufferAttribute(to, 3));
  geometry.instanceCount = count;
  return geometry;
}

function decoded(bytes: Uint8Array, width: number, height: number, perPx: number): Seen {
  const [part, near] = [new Uint8Array(width * height), new Float32Array(width * height)];
  for (let row = 0; row < height; row++) {
    for (let col = 0; col < width; col++) {
      const [from, to] = [4 * ((height - 1 - row) * width + col), row * width + col];
      part[to] = bytes[from + 3]!;
      near[to] = DEEP / 2 - DEEP * ((bytes[from]! + (bytes[from + 1]! + bytes[from + 2]! / 256) / 256) / 256);
    }
  }
  return { width, height, perPx, part, near };
}

