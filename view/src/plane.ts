// The section plane: one of the named planes, turned about its own upright and moved along its normal.
import { along, cross, dot } from "./camera";
import type { Vector } from "./camera";
import type { Plane } from "./scene";

export interface Moved { origin: Vector; across: Vector; up: Vector; normal: Vector; offset: number }

export class SectionPlane {
  name: string;
  offsetMm = 0;
  turnDeg = 0;

  constructor(readonly planes: readonly Plane[], readonly reachMm: number) {
    this.name = planes.find((p) => p.name === "BL")?.name ?? planes[0]?.name ?? "";
  }

  get plane(): Plane | undefined {
    return this.planes.find((p) => p.name === this.name);
  }

  choose(name: string): void {
    this.name = name;
    this.offsetMm = 0;
    this.turnDeg = 0;
  }

  moveTo(offsetMm: number): void {
    this.offsetMm = Math.round(100 * Math.min(this.reachMm, Math.max(-this.reachMm, Number.isFinite(offsetMm) ? offsetMm : 0))) / 100;
  }

  turnTo(turnDeg: number): void {
    this.turnDeg = Math.min(90, Math.max(-90, Number.isFinite(turnDeg) ? Math.round(turnDeg) : 0));
  }

  /** As reports/scene/drawings.py moves it. */
  moved(): Moved | null {
    const plane = this.plane;
    if (!plane) return null;
    const [sin, cos] = [Math.sin((this.turnDeg * Math.PI) / 180), Math.cos((this.turnDeg * Math.PI) / 180)];
    const beside = cross(plane.up, plane.across);
    const across: Vector = [
      cos * plane.across[0] + sin * beside[0], cos * plane.across[1] + sin * beside[1], cos * plane.across[2] + sin * beside[2],
    ];
    const up: Vector = [plane.up[0], plane.up[1], plane.up[2]];
    const normal = cross(across, up);
    const origin = along(plane.origin_mm, this.offsetMm, normal);
    return { origin, across, up, normal, offset: dot(normal, origin) };
  }

  query(): string {
    return new URLSearchParams({ plane: this.name, offset_mm: this.offsetMm.toFixed(2), turn_deg: this.turnDeg.toFixed(0) }).toString();
  }
}
