// GLSL of the three passes: the surface, the hollows (loss of sky), the finished picture. Shading follows kernels/raster.py.

const HATCH = /* glsl */ `
float hatch(vec2 px, float turn, float gap, float width) {
  float at = dot(px, vec2(sin(turn), cos(turn))) / gap;
  float away = abs(fract(at) - 0.5) * gap;
  return 1.0 - smoothstep(0.5 * width, 0.5 * width + 0.5, away);
}`;

export const SURFACE_VERTEX = /* glsl */ `
precision highp float;
uniform mat4 modelViewMatrix, projectionMatrix;
uniform float behind;
in vec3 position;
in vec2 softNormal;
in float deviation, laidBare;
in vec4 tissue;
out vec3 vNormal, vPoint;
out float vDeviation, vTime;
flat out float vTissue;
void main() {
  vec3 n = vec3(softNormal, 1.0 - abs(softNormal.x) - abs(softNormal.y));
  float fold = max(-n.z, 0.0);
  n.xy -= vec2(n.x >= 0.0 ? fold : -fold, n.y >= 0.0 ? fold : -fold);
  vNormal = n;
  vPoint = position;
  vDeviation = deviation;
  vTime = laidBare;
  vTissue = tissue.x;
  gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
  gl_Position.z += behind;
}`;

export const SURFACE_FRAGMENT = /* glsl */ `
precision highp float;
uniform vec3 light, eye, matt, rule, ink, sheet;
uniform vec3 steps[6];
uniform vec3 levels;
uniform float floorAt, at, perPx;
uniform int mode, kind, pulp, enamel, open, solid;
uniform vec4 plane;
in vec3 vNormal, vPoint;
in float vDeviation, vTime;
flat in float vTissue;
out vec4 colour;
${HATCH}
float lit(vec3 n) {
  return 0.60 + 0.28 * pow(max(0.0, 0.5 + 0.5 * dot(n, light)), 1.4) + 0.16 * max(0.0, dot(n, eye));
}
vec3 mapped(vec3 grey) {
  float size = abs(vDeviation);
  if (size <= levels.x) return grey;
  int step = (size > levels.z ? 2 : size > levels.y ? 1 : 0) + (vDeviation > 0.0 ? 0 : 3);
  return mix(grey, steps[step], 0.93);
}
vec3 layered(vec3 grey, vec2 px) {
  int number = int(vTissue + 0.5);
  if (number == 0) return grey;
  if (number == enamel) return mix(grey, ink, 0.30 * hatch(px, -0.7854, 3.4, 0.6));
  if (number == pulp) return mix(grey * 0.55, ink, 0.5 * hatch(px, 0.7854, 3.4, 0.7));
  return mix(grey * 0.86, ink, 0.55 * hatch(px, 0.7854, 7.0, 0.8));
}
void main() {
  if (vPoint.z < floorAt) discard;
  vec2 px = gl_FragCoord.xy / perPx;
  vec3 n = normalize(vNormal);
  if (open == 1 && kind != 3 && dot(plane.xyz, vPoint) > plane.w) discard;
  if (!gl_FrontFacing) n = -n;
  vec3 grey = min(matt * lit(n), vec3(1.0));
  if (!gl_FrontFacing && kind != 3) grey *= 0.72;
  float sky = 1.0;
  if (kind == 1) {
    if (vTime < 0.0 || vTime <= at) discard;
    vec2 cell = fract(px / 6.0) - 0.5;
    grey = mix(grey, ink, 0.55 * (1.0 - smoothstep(0.08, 0.16, length(cell))));
  } else if (kind == 2) {
    if (hatch(px, 0.7854, 6.0, 1.1) < 0.5) discard;
    colour = vec4(mix(grey, ink, 0.55), 0.05);
    return;
  } else if (kind == 0) {
    if (at >= 0.0 && vTime > at) {
      grey = mix(grey * 0.80, ink, 0.45 * hatch(px, -0.7854, 4.0, 0.7));
    } else if (mode == 1) {
      vec3 before = grey;
      grey = mapped(grey);
      if (grey != before) sky = 0.35;
    } else if (mode == 2) {
      grey = layered(grey, px);
    }
  }
  colour = vec4(grey, solid == 1 ? 1.0 : sky);
}`;

/** Where the plane cuts the piece: hatched like a section. */
export const CAP_FRAGMENT = /* glsl */ `
precision highp float;
uniform vec3 sheet, ink;
uniform float perPx;
in vec3 vPoint;
out vec4 colour;
${HATCH}
void main() {
  colour = vec4(mix(sheet, ink, 0.35 * hatch(gl_FragCoord.xy / perPx, 0.7854, 7.0, 0.7)), 0.05);
}`;

export const LINE_VERTEX = /* glsl */ `
precision highp float;
uniform mat4 modelViewMatrix, projectionMatrix;
uniform vec2 size;
uniform float width, towards, floorAt;
in vec2 corner;
in vec3 from, to;
out float vHeight;
void main() {
  vec4 a = projectionMatrix * modelViewMatrix * vec4(from, 1.0);
  vec4 b = projectionMatrix * modelViewMatrix * vec4(to, 1.0);
  vec2 run = (b.xy / b.w - a.xy / a.w) * size;
  float length2 = max(length(run), 1e-6);
  run /= length2;
  vec2 aside = vec2(-run.y, run.x);
  vec4 here = corner.x < 0.5 ? a : b;
  vec2 px = aside * (corner.y - 0.5) * width + run * (corner.x - 0.5) * min(width, 1.5);
  vHeight = corner.x < 0.5 ? from.z : to.z;
  gl_Position = vec4(here.xy + 2.0 * px / size * here.w, here.z - towards * here.w, here.w);
}`;

export const LINE_FRAGMENT = /* glsl */ `
precision highp float;
uniform vec3 ink;
uniform float cover, floorAt;
in float vHeight;
out vec4 colour;
void main() {
  if (vHeight < floorAt) discard;
  colour = vec4(ink, cover);
}`;

export const FULL_VERTEX = /* glsl */ `
precision highp float;
in vec3 position;
void main() { gl_Position = vec4(position, 1.0); }`;

/** Eight directions, four steps out to \`reach\`: the mean sine of the horizon. Depth in mm, nearer is larger. */
export const HOLLOWS_FRAGMENT = /* glsl */ `
precision highp float;
uniform highp sampler2D depth;
uniform vec2 scale;
uniform ivec2 most;
uniform float deep, perMm, reach;
out vec4 colour;
float near(vec2 at) {
  float d = texelFetch(depth, clamp(ivec2(at * scale), ivec2(0), most), 0).r;
  return d >= 1.0 ? -1e6 : -d * deep;
}
void main() {
  vec2 here = gl_FragCoord.xy;
  float mine = near(here);
  float total = 0.0;
  if (mine > -1e5) {
    for (int way = 0; way < 8; way++) {
      float turn = 0.7853982 * float(way) + 0.3;
      vec2 run = vec2(cos(turn), sin(turn));
      float horizon = 0.0;
      for (int s = 1; s <= 4; s++) {
        float px = max(1.0, reach * float(s * s) / 16.0);
        float other = near(here + run * px);
        if (other < -1e5) break;
        float rise = (other - mine) * perMm;
        if (rise > 0.0) horizon = max(horizon, rise / sqrt(rise * rise + px * px));
      }
      total += horizon;
    }
  }
  colour = vec4(total / 8.0, 0.0, 0.0, 1.0);
}`;

/** Puts the picture together: hollows darken, outlines are drawn where depth leaps, finer samples are averaged. */
export const FINISH_FRAGMENT = /* glsl */ `
precision highp float;
uniform sampler2D picture, hollows;
uniform highp sampler2D depth;
uniform ivec2 most;
uniform int finer;
uniform float deep, leap, reach, dark;
uniform vec2 size;
uniform vec3 ink;
out vec4 colour;
float near(ivec2 at) { return -texelFetch(depth, clamp(at, ivec2(0), most), 0).r * deep; }
float edge(ivec2 q) {
  float mine = near(q);
  float found = 0.0;
  int ways = dark > 0.0 ? 4 : 2;
  for (int i = 0; i < ways; i++) {
    int way = ways == 2 ? 2 * i : i;
    float turn = 0.7853982 * float(way);
    ivec2 o = ivec2(round(reach * vec2(cos(turn), sin(turn)) * (way % 2 == 1 ? 1.2 : 1.0)));
    found = max(found, step(leap, abs(near(q + o) + near(q - o) - 2.0 * mine)));
  }
  return found;
}
void main() {
  ivec2 first = ivec2(gl_FragCoord.xy) * finer;
  float lost = 0.0;
  if (dark > 0.0) {
    vec2 uv = gl_FragCoord.xy / size;
    vec2 px = 1.0 / vec2(textureSize(hollows, 0));
    lost = 0.25 * (texture(hollows, uv + px * vec2(0.7, 0.7)).r + texture(hollows, uv + px * vec2(-0.7, 0.7)).r
      + texture(hollows, uv + px * vec2(0.7, -0.7)).r + texture(hollows, uv + px * vec2(-0.7, -0.7)).r);
  }
  vec4 sum = vec4(0.0);
  for (int i = 0; i < finer; i++) for (int j = 0; j < finer; j++) {
    ivec2 q = first + ivec2(i, j);
    vec4 g = texelFetch(picture, clamp(q, ivec2(0), most), 0);
    float covered = step(0.02, g.a);
    vec3 seen = g.rgb * (1.0 - dark * lost * g.a);
    float line = edge(q);
    sum += vec4(mix(seen * covered, ink, line), max(covered, line));
  }
  colour = sum / float(finer * finer);
}`;

/** For the probe: how near in three bytes, which part in the fourth. */
export const PROBE_FRAGMENT = /* glsl */ `
precision highp float;
uniform float floorAt;
uniform int open;
uniform vec4 plane;
in vec3 vPoint;
out vec4 colour;
void main() {
  if (vPoint.z < floorAt) discard;
  if (open == 1 && dot(plane.xyz, vPoint) > plane.w + 0.01) discard;
  float d = clamp(gl_FragCoord.z, 0.0, 0.9999999);
  float a = floor(d * 256.0);
  float b = floor((d * 256.0 - a) * 256.0);
  float c = floor(((d * 256.0 - a) * 256.0 - b) * 256.0);
  colour = vec4(a, b, c, 1.0) / 255.0;
}`;
