// A parallel projection that turns about the piece's own upright. Letters stand for the same directions as in the report.
import type { Triple } from "./scene";

export type Vector = [number, number, number];

export const dot = (a: ArrayLike<number>, b: ArrayLike<number>): number => a[0]! * b[0]! + a[1]! * b[1]! + a[2]! * b[2]!;
export const cross = (a: ArrayLike<number>, b: ArrayLike<number>): Vector => [
  a[1]! * b[2]! - a[2]! * b[1]!,
  a[2]! * b[0]! - a[0]! * b[2]!,
  a[0]! * b[1]! - a[1]! * b[0]!,
];
export const along = (a: ArrayLike<number>, t: number, b: ArrayLike<number>): Vector => [a[0]! + t * b[0]!, a[1]! + t * b[1]!, a[2]! + t * b[2]!];
export const unit = (a: ArrayLike<number>): Vector => {
  const length = Math.hypot(a[0]!, a[1]!, a[2]!) || 1;
  return [a[0]! / length, a[1]! / length, a[2]! / length];
};

const RAD = Math.PI / 180;
/** Azimuth from facial towards mesial, and elevation, of each letter; as reports/view/camera.py. */
const LETTERS: Readonly<Record<string, readonly [number, number]>> = {
  S: [Math.atan2(0.45, 0.8) / RAD, Math.atan2(0.62, Math.hypot(0.8, 0.45)) / RAD],
  O: [0, 90],
  B: [0, Math.atan(0.12) / RAD],
  L: [180, Math.atan(0.12) / RAD],
  M: [90, Math.atan(0.12) / RAD],
  D: [-90, Math.atan(0.12) / RAD],
};

export class Camera {
  azimuth: number;
  elevation: number;
  pxPerMm = 20;
  zoom = 1;
  /** What stands in the middle of the picture, mm. */
  middle: Vector = [0, 0, 0];
  width = 1;
  height = 1;

  constructor(private readonly mesialSign: number) {
    [this.azimuth, this.elevation] = LETTERS["S"] as [number, number];
  }

  /** Towards the eye, up and right on the picture, in the tooth frame. */
  axes(): { right: Vector; up: Vector; eye: Vector } {
    const [sin, cos] = [Math.sin(this.azimuth * RAD) * this.mesialSign, Math.cos(this.azimuth * RAD)];
    const [rise, run] = [Math.sin(this.elevation * RAD), Math.cos(this.elevation * RAD)];
    const eye: Vector = [run * sin, run * cos, rise];
    const up: Vector = [-rise * sin, -rise * cos, run];
    return { right: cross(up, eye), up, eye };
  }

  get scale(): number {
    return this.pxPerMm * this.zoom;
  }

  /** Column, row (px from the upper left) and how near (mm) of a point. */
  project(point: ArrayLike<number>): Vector {
    const { right, up, eye } = this.axes();
    const from = along(point, -1, this.middle);
    return [this.width / 2 + this.scale * dot(from, right), this.height / 2 - this.scale * dot(from, up), dot(from, eye)];
  }

  projector(): (point: ArrayLike<number>) => Vector {
    const { right, up, eye } = this.axes();
    const { middle, width, height, scale } = this;
    return (p) => {
      const from = along(p, -1, middle);
      return [width / 2 + scale * dot(from, right), height / 2 - scale * dot(from, up), dot(from, eye)];
    };
  }

  /** The point of the tooth frame at a spot of the picture, so near. */
  unproject(column: number, row: number, near: number): Vector {
    const { right, up, eye } = this.axes();
    const flat = along(along(this.middle, (column - this.width / 2) / this.scale, right), -(row - this.height / 2) / this.scale, up);
    return along(flat, near, eye);
  }

  turn(columns: number, rows: number): void {
    this.azimuth = wrapped(this.azimuth + this.mesialSign * columns);
    this.elevation = Math.min(90, Math.max(-90, this.elevation + rows));
  }

  enlarge(factor: number, column = this.width / 2, row = this.height / 2): void {
    const before = this.unproject(column, row, 0);
    this.zoom = Math.min(12, Math.max(0.5, this.zoom * factor));
    const after = this.unproject(column, row, 0);
    this.middle = along(along(this.middle, 1, before), -1, after);
  }

  shift(columns: number, rows: number): void {
    const { right, up } = this.axes();
    this.middle = along(along(this.middle, -columns / this.scale, right), rows / this.scale, up);
  }

  /** Scale at which all points fit from every stated side, so that turning changes no size. */
  fit(points: Float32Array, margin: number): void {
    const low: Vector = [Infinity, Infinity, Infinity];
    const high: Vector = [-Infinity, -Infinity, -Infinity];
    for (let i = 0; i < points.length; i++) {
      const axis = i % 3;
      low[axis] = Math.min(low[axis]!, points[i]!);
      high[axis] = Math.max(high[axis]!, points[i]!);
    }
    const whole = along([low[0] / 2, low[1] / 2, low[2] / 2], 0.5, high);
    this.middle = whole;
    const kept: [number, number] = [this.azimuth, this.elevation];
    let wide = 1e-3;
    let high2 = 1e-3;
    for (const [azimuth, elevation] of Object.values(LETTERS)) {
      [this.azimuth, this.elevation] = [azimuth, elevation];
      const { right, up } = this.axes();
      for (let i = 0; i < points.length; i += 21) {
        const from = along(points.subarray(i, i + 3), -1, whole);
        wide = Math.max(wide, Math.abs(dot(from, right)));
        high2 = Math.max(high2, Math.abs(dot(from, up)));
      }
    }
    [this.azimuth, this.elevation] = kept;
    this.pxPerMm = Math.max(1, Math.min((this.width / 2 - margin) / wide, (this.height / 2 - margin) / high2));
  }

  goal(letter: string): [number, number] | null {
    const found = LETTERS[letter];
    return found ? [found[0], found[1]] : null;
  }

  /** The azimuth and elevation from which a direction of the tooth frame points at the eye. */
  facing(direction: Triple | Vector): [number, number] {
    const azimuth = Math.atan2(direction[0] * this.mesialSign, direction[1]) / RAD;
    return [azimuth, Math.asin(Math.min(1, Math.max(-1, unit(direction)[2]))) / RAD];
  }
}

export const wrapped = (degrees: number): number => ((((degrees + 180) % 360) + 360) % 360) - 180;
