// Soft normals of the ghosts, folded onto an octahedron as the piece's own are in the scene.
export function softNormals(positions: Float32Array, indices: Uint32Array): Int16Array {
  const sum = new Float32Array(positions.length);
  for (let f = 0; f < indices.length; f += 3) {
    const [a, b, c] = [3 * indices[f]!, 3 * indices[f + 1]!, 3 * indices[f + 2]!];
    const [ux, uy, uz] = [positions[b]! - positions[a]!, positions[b + 1]! - positions[a + 1]!, positions[b + 2]! - positions[a + 2]!];
    const [vx, vy, vz] = [positions[c]! - positions[a]!, positions[c + 1]! - positions[a + 1]!, positions[c + 2]! - positions[a + 2]!];
    const [x, y, z] = [uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx];
    for (const i of [a, b, c]) {
      sum[i]! += x;
      sum[i + 1]! += y;
      sum[i + 2]! += z;
    }
  }
  const out = new Int16Array((2 * positions.length) / 3);
  for (let v = 0; v < positions.length / 3; v++) {
    const [x, y, z] = [sum[3 * v]!, sum[3 * v + 1]!, sum[3 * v + 2]!];
    const size = Math.abs(x) + Math.abs(y) + Math.abs(z) || 1;
    const [px, py] = [x / size, y / size];
    const fold = z < 0;
    out[2 * v] = Math.round(32767 * (fold ? (1 - Math.abs(py)) * (px >= 0 ? 1 : -1) : px));
    out[2 * v + 1] = Math.round(32767 * (fold ? (1 - Math.abs(px)) * (py >= 0 ? 1 : -1) : py));
  }
  return out;
}
