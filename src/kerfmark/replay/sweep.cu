// The sweep of a motion through blocks of voxels on a CUDA device.
//
// Three kernels: `count_poses` and `write_poses` turn samples into poses no farther apart than a step, `sweep` carries the head
// through the voxels. A block of 512 threads holds a block of 8 x 8 x 8 voxels, a warp a brick of 4 x 4 x 2, a thread one voxel.
// Each voxel takes the poses in their order, so the result does not depend on how the device schedules anything.
// Lengths are millimetres relative to the grid's origin; heads as in `kerfmark.instruments.outline`.

#define FAR_BELOW -1e9f
#define FAN_SLACK 1e-6f
#define TINY 1e-5f
#define WINDOW 16  // poses in a window, and windows in a stride

// ---------------------------------------------------------------- poses

struct Turn { double ux, uy, uz, angle; };

__device__ static Turn turn_between(const double* a, const double* b) {
    // axis and angle of the shortest turn from quaternion a to b (w, x, y, z)
    double w = b[0] * a[0] + b[1] * a[1] + b[2] * a[2] + b[3] * a[3];
    double x = b[1] * a[0] - a[1] * b[0] - (b[2] * a[3] - b[3] * a[2]);
    double y = b[2] * a[0] - a[2] * b[0] - (b[3] * a[1] - b[1] * a[3]);
    double z = b[3] * a[0] - a[3] * b[0] - (b[1] * a[2] - b[2] * a[1]);
    if (w < 0.0) { x = -x; y = -y; z = -z; }
    double length = sqrt(x * x + y * y + z * z);
    double scale = length > 1e-300 ? 1.0 / length : 0.0;
    return {x * scale, y * scale, z * scale, 2.0 * atan2(length, fabs(w))};
}

__device__ static void axis_of(const double* q, double* axis) {
    axis[0] = 2.0 * (q[1] * q[3] + q[0] * q[2]);
    axis[1] = 2.0 * (q[2] * q[3] - q[0] * q[1]);
    axis[2] = 1.0 - 2.0 * (q[1] * q[1] + q[2] * q[2]);
}

extern "C" __global__ void count_poses(
    const double* tip, const double* turn, const bool* cuts, int n, double reach, double step, long long* counts) {
    // how many poses the stretch that ends at each sample needs; 0 where it does not cut
    int i = blockIdx.x * blockDim.x + threadIdx.x;
    if (i >= n) return;
    if (!cuts[i]) { counts[i] = 0; return; }
    if (i == 0) { counts[i] = 1; return; }
    double axis[3];
    axis_of(turn + 4 * (i - 1), axis);
    Turn t = turn_between(turn + 4 * (i - 1), turn + 4 * i);
    double cx = t.uy * axis[2] - t.uz * axis[1], cy = t.uz * axis[0] - t.ux * axis[2], cz = t.ux * axis[1] - t.uy * axis[0];
    double dx = tip[3 * i] - tip[3 * i - 3], dy = tip[3 * i + 1] - tip[3 * i - 2], dz = tip[3 * i + 2] - tip[3 * i - 1];
    double moved = sqrt(dx * dx + dy * dy + dz * dz) + reach * t.angle * sqrt(cx * cx + cy * cy + cz * cz);
    counts[i] = (long long)fmax(ceil(moved / step), 1.0) + (cuts[i - 1] ? 0 : 1);
}

extern "C" __global__ void write_poses(
    const double* tip, const double* turn, const double* seconds, const bool* cuts, const long long* ends, int n,
    const double* origin, long long total, float* poses, bool* linked) {
    // the poses of each stretch, columns of `poses` (7, total): tip, axis, time
    int i = blockIdx.x * blockDim.x + threadIdx.x;
    if (i >= n || !cuts[i]) return;
    long long first = i ? ends[i - 1] : 0, count = ends[i] - first;
    int s = i ? i - 1 : 0;
    bool begins = i > 0 && !cuts[i - 1];
    long long parts = i ? count - (begins ? 1 : 0) : 1;
    double before[3], after[3];
    axis_of(turn + 4 * s, before);
    axis_of(turn + 4 * i, after);
    Turn t = turn_between(turn + 4 * s, turn + 4 * i);
    double along = t.ux * before[0] + t.uy * before[1] + t.uz * before[2];
    double cross[3] = {t.uy * before[2] - t.uz * before[1], t.uz * before[0] - t.ux * before[2], t.ux * before[1] - t.uy * before[0]};
    double u[3] = {t.ux, t.uy, t.uz};
    for (long long k = 0; k < count; ++k) {
        long long number = begins || i == 0 ? k : k + 1;
        double share = i == 0 ? 1.0 : (double)number / (double)parts;
        long long p = first + k;
        double phi = share * t.angle, c = cos(phi), sn = sin(phi);
        for (int a = 0; a < 3; ++a) {
            double from = tip[3 * s + a] - origin[a], to = tip[3 * i + a] - origin[a];
            double at = share >= 1.0 ? to : share > 0.0 ? from + share * (to - from) : from;
            double ax = share >= 1.0 ? after[a]
                : share > 0.0 ? before[a] * c + cross[a] * sn + u[a] * along * (1.0 - c) : before[a];
            poses[a * total + p] = (float)at;
            poses[(3 + a) * total + p] = (float)ax;
        }
        double start = seconds[s] - seconds[0], end = seconds[i] - seconds[0];
        poses[6 * total + p] = (float)(share >= 1.0 ? end : start + share * (end - start));
        linked[p] = i > 0 && number > 0;
    }
}

extern "C" __global__ void write_windows(
    const float* poses, long long total, float reach, int size, float* windows, int count) {
    // per run of `size` poses its middle one (tip, axis) and how far any point of the head strays from there
    int w = blockIdx.x * blockDim.x + threadIdx.x;
    if (w >= count) return;
    long long first = (long long)w * size, end = min(first + size, total), middle = (first + end) / 2;
    float most = 0.0f, at[6];
    for (int a = 0; a < 6; ++a) at[a] = windows[(long long)a * count + w] = poses[a * total + middle];
    for (long long p = first; p < end; ++p) {
        float tips = 0.0f, axes = 0.0f;
        for (int a = 0; a < 3; ++a) {
            float d = poses[a * total + p] - at[a], e = poses[(3 + a) * total + p] - at[3 + a];
            tips += d * d;
            axes += e * e;
        }
        most = fmaxf(most, sqrtf(tips) + reach * sqrtf(axes));
    }
    windows[6LL * count + w] = most * (1.0f + 1e-5f) + 1e-5f;
}

// ---------------------------------------------------------------- the head

struct Head { const float* faces; int n_faces; const float* fans; int n_fans; const float* segments; int n_segments; };

__device__ __forceinline__ static float distance_at(const Head& head, float a, float r) {
    // signed distance of a point `a` along the head's axis from its tip and `r` from the axis
    if (head.n_faces + head.n_fans) {
        float d = FAR_BELOW;
        for (int k = 0; k < head.n_faces; ++k) {
            const float* f = head.faces + 3 * k;
            d = fmaxf(d, a * f[0] + r * f[1] - f[2]);
        }
        for (int m = 0; m < head.n_fans; ++m) {
            const float* f = head.fans + 7 * m;
            float x = a - f[0], y = r - f[1];
            if (f[3] * y - f[4] * x <= FAN_SLACK && x * f[6] - y * f[5] <= FAN_SLACK) d = fmaxf(d, sqrtf(x * x + y * y) - f[2]);
        }
        return d;
    }
    float square = 1e30f;
    bool inside = false;
    for (int k = 0; k < head.n_segments; ++k) {
        const float* s = head.segments + 4 * k;
        float da = s[2] - s[0], dr = s[3] - s[1], x = a - s[0], y = r - s[1];
        float t = fminf(fmaxf((x * da + y * dr) / (da * da + dr * dr), 0.0f), 1.0f);
        float u = x - t * da, v = y - t * dr;
        square = fminf(square, u * u + v * v);
        inside = inside || (x >= 0.0f && x < da && y * da < x * dr);
    }
    return inside ? -sqrtf(square) : sqrtf(square);
}

struct Pose { float x, y, z, ax, ay, az; };

__device__ __forceinline__ static Pose pose_at(const float* poses, long long total, long long p) {
    return {poses[p], poses[total + p], poses[2 * total + p], poses[3 * total + p], poses[4 * total + p], poses[5 * total + p]};
}

__device__ __forceinline__ static Pose pose_of(const Pose& own, int lane) {
    // the pose that another lane of the warp holds
    const unsigned all = 0xffffffffu;
    return {__shfl_sync(all, own.x, lane), __shfl_sync(all, own.y, lane), __shfl_sync(all, own.z, lane),
            __shfl_sync(all, own.ax, lane), __shfl_sync(all, own.ay, lane), __shfl_sync(all, own.az, lane)};
}

__device__ __forceinline__ static float distance_from(const Head& head, float x, float y, float z, const Pose& pose) {
    x -= pose.x;
    y -= pose.y;
    z -= pose.z;
    float a = x * pose.ax + y * pose.ay + z * pose.az;
    x -= a * pose.ax;
    y -= a * pose.ay;
    z -= a * pose.az;
    return distance_at(head, a, sqrtf(x * x + y * y + z * z));
}

// ---------------------------------------------------------------- the sweep

__device__ __forceinline__ static float most_of_warp(float value) {
    for (int step = 16; step; step >>= 1) value = fmaxf(value, __shfl_xor_sync(0xffffffffu, value, step));
    return value;
}

__device__ __forceinline__ static bool near_block(
    const Head& head, float x, float y, float z, const float* windows, int n, int w, float reach, float most) {
    // whether in window w the head may change anything within `reach` of a point, where no distance exceeds `most`
    return w < n && distance_from(head, x, y, z, pose_at(windows, n, w)) - windows[6LL * n + w] - reach < most;
}

__device__ __forceinline__ static int in_order(bool wanted, int value, int* list, int* per_warp) {
    // the values of those threads that want theirs, in the threads' order; how many there are
    int warp = threadIdx.x >> 5, lane = threadIdx.x & 31;
    unsigned votes = __ballot_sync(0xffffffffu, wanted);
    if (lane == 0) per_warp[warp] = __popc(votes);
    __syncthreads();
    int before = 0, count = 0;
    for (int v = 0; v < 16; ++v) {
        if (v < warp) before += per_warp[v];
        count += per_warp[v];
    }
    if (wanted) list[before + __popc(votes & ((1u << lane) - 1u))] = value;
    __syncthreads();
    return count;
}

extern "C" __global__ void __launch_bounds__(512) sweep(
    const int* places, float h, float band, const float* poses, const bool* linked, long long total, const float* windows,
    int n_windows, const float* strides, int n_strides, const float* faces, int n_faces, const float* fans, int n_fans,
    const float* segments, int n_segments, float* distance, float* time) {
    // `distance` and `time` come in as an earlier sweep left them, or as the band and infinity
    __shared__ float outline[512];
    __shared__ int strided[512];
    __shared__ int chosen[512];
    __shared__ int per_warp[16];
    __shared__ float highest[16];
    int tid = threadIdx.x, warp = tid >> 5, lane = tid & 31;
    int size = 3 * n_faces + 7 * n_fans;
    bool convex = size > 0;
    const float* source = convex ? nullptr : segments;
    if (!convex) size = 4 * n_segments;
    bool fits = size <= 512;
    for (int k = tid; fits && k < size; k += 512)
        outline[k] = source ? source[k] : k < 3 * n_faces ? faces[k] : fans[k - 3 * n_faces];
    __syncthreads();
    Head head = {faces, convex ? n_faces : 0, fans, convex ? n_fans : 0, segments, n_segments};
    if (fits) {
        head.faces = outline;
        head.fans = outline + 3 * n_faces;
        head.segments = outline;
    }
    // warp -> brick of 4 x 4 x 2, lane -> voxel in it
    int i = ((warp >> 3) & 1) * 4 + (lane >> 3), j = ((warp >> 2) & 1) * 4 + ((lane >> 1) & 3), k = (warp & 3) * 2 + (lane & 1);
    const int* place = places + 3 * blockIdx.x;
    float bx = (place[0] * 8 + 3.5f) * h, by = (place[1] * 8 + 3.5f) * h, bz = (place[2] * 8 + 3.5f) * h;
    float x = bx + (i - 3.5f) * h, y = by + (j - 3.5f) * h, z = bz + (k - 3.5f) * h;
    float cx = bx + (((warp >> 3) & 1) * 4 - 2.0f) * h, cy = by + (((warp >> 2) & 1) * 4 - 2.0f) * h, cz = bz + ((warp & 3) * 2 - 3.0f) * h;
    const float block_reach = 3.5f * 1.7320509f * h + TINY, brick_reach = 2.1794495f * h + TINY;  // sqrt(1.5² + 1.5² + 0.5²)
    long long at = (long long)blockIdx.x * 512 + i * 64 + j * 8 + k;
    float nearest = distance[at], when = time[at], warp_most = most_of_warp(nearest), block_most = band;
    for (int from = 0; from < n_strides && block_most > -band; from += 512) {
        int stride = from + tid;
        int near_strides = in_order(
            near_block(head, bx, by, bz, strides, n_strides, stride, block_reach, block_most), stride, strided, per_warp);
        for (int group = 0; group < near_strides && block_most > -band; group += 32) {
            int entry = group + (tid >> 4);
            int w = entry < near_strides ? strided[entry] * WINDOW + (tid & 15) : n_windows;
            int count = in_order(near_block(head, bx, by, bz, windows, n_windows, w, block_reach, block_most), w, chosen, per_warp);
            if (count == 0) continue;
            for (int c = 0; c < count; c += 2) {  // two windows at a time, a lane for each of their poses
                int mine = c + (lane >> 4);
                long long p = mine < count ? (long long)chosen[mine] * WINDOW + (lane & 15) : total;
                bool there = p < total;
                Pose own = pose_at(poses, total, there ? p : 0);
                unsigned left = __ballot_sync(
                    0xffffffffu, there && distance_from(head, cx, cy, cz, own) - brick_reach < warp_most);
                bool changed = false;
                while (left) {
                    int of = __ffs(left) - 1;
                    left &= left - 1;
                    float found = distance_from(head, x, y, z, pose_of(own, of));
                    long long q = __shfl_sync(0xffffffffu, p, of);
                    if (found < nearest) {
                        if (nearest > 0.0f) {
                            float reached = poses[6 * total + q];
                            if (found <= 0.0f && linked[q]) {
                                float then = distance_from(head, x, y, z, pose_at(poses, total, q - 1)), fall = then - found;
                                float part = fall > 0.0f ? then / fall : 1.0f, start = poses[6 * total + q - 1];
                                reached = start + fminf(fmaxf(part, 0.0f), 1.0f) * (reached - start);
                            }
                            when = reached;
                        }
                        nearest = fmaxf(found, -band);
                        changed = true;
                    }
                }
                if (__any_sync(0xffffffffu, changed)) warp_most = most_of_warp(nearest);
            }
            if (lane == 0) highest[warp] = warp_most;
            __syncthreads();
            block_most = highest[0];
            for (int v = 1; v < 16; ++v) block_most = fmaxf(block_most, highest[v]);
            __syncthreads();
        }
    }
    distance[at] = nearest;
    time[at] = when;
}
