// The piece in the room, through WebXR: at its true size or enlarged, to walk round, to take in the hand with a controller's trigger.
import { Color, Group, Matrix4, PerspectiveCamera, Scene, Vector3 } from "three";
import type { Painter, Shown } from "./painter";
import type { Rgb } from "./colours";

export const ENLARGED = 20;
const AHEAD_M = 0.45;
const HEIGHT_M = 1.3;
/** Carries the tooth frame's axes (facial, occlusal) to the room's: occlusal up, facial towards who looks. */
const UPRIGHT = new Matrix4().set(-1, 0, 0, 0, 0, 0, 1, 0, 0, 1, 0, 0, 0, 0, 0, 1);

export async function immersiveOffered(): Promise<boolean> {
  try {
    return (await navigator.xr?.isSessionSupported("immersive-vr")) === true;
  } catch {
    return false;
  }
}

/** Begins an immersive session; comes back when it has ended. */
export async function enterRoom(painter: Painter, shown: Shown, sheet: Rgb, enlarge: number): Promise<void> {
  const session = await navigator.xr!.requestSession("immersive-vr", { optionalFeatures: ["local-floor"] });
  const { renderer } = painter;
  const room = new Scene();
  const held = new Group();
  room.background = new Color(...sheet);
  held.matrixAutoUpdate = true;
  held.add(...painter.lend(shown));
  place(held, painter.middle(), enlarge);
  room.add(held);
  const camera = new PerspectiveCamera(70, 1, 0.01, 20);
  for (const hand of [0, 1]) {
    const controller = renderer.xr.getController(hand);
    controller.addEventListener("selectstart", () => { controller.attach(held); });
    controller.addEventListener("selectend", () => { room.attach(held); });
    room.add(controller);
  }
  renderer.xr.enabled = true;
  await renderer.xr.setSession(session);
  const head = new Vector3();
  renderer.setAnimationLoop(() => {
    held.updateWorldMatrix(true, false);
    head.setFromMatrixPosition(renderer.xr.getCamera().matrixWorld).applyMatrix4(held.matrixWorld.clone().invert());
    painter.lookFrom(head.x, head.y, head.z);
    renderer.clear();
    renderer.render(room, camera);
  });
  await new Promise<void>((done) => { session.addEventListener("end", () => { done(); }, { once: true }); });
  renderer.setAnimationLoop(null);
  renderer.xr.enabled = false;
  painter.takeBack();
}

function place(held: Group, middle: Vector3, enlarge: number): void {
  const scale = 0.001 * enlarge;
  const matrix = new Matrix4().makeTranslation(0, HEIGHT_M, -AHEAD_M).multiply(UPRIGHT)
    .multiply(new Matrix4().makeScale(scale, scale, scale)).multiply(new Matrix4().makeTranslation(-middle.x, -middle.y, -middle.z));
  matrix.decompose(held.position, held.quaternion, held.scale);
}
