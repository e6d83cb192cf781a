// Path tracer of the training pictures: triangles in a bounding volume hierarchy, diffuse surfaces with a coat,
// rectangular lights, an environment seen all round, light that is reflected up to `bounces` times.
// One source for both: nvcc makes the version for a graphics card, g++ -x c++ -fopenmp the one for processors.
// Whitted-style next-event estimation at every hit (Kajiya 1986); hierarchy by binned surface area (Wald 2007);
// coat after Trowbridge and Reitz 1975 with Schlick's Fresnel term.
#include <algorithm>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <cstring>
#include <vector>
#ifdef __CUDACC__
#define BOTH __host__ __device__
#else
#define BOTH
#endif

struct V3 {
    float x, y, z;
};
BOTH inline V3 v3(float x, float y, float z) { return {x, y, z}; }
BOTH inline V3 operator+(V3 a, V3 b) { return {a.x + b.x, a.y + b.y, a.z + b.z}; }
BOTH inline V3 operator-(V3 a, V3 b) { return {a.x - b.x, a.y - b.y, a.z - b.z}; }
BOTH inline V3 operator*(V3 a, V3 b) { return {a.x * b.x, a.y * b.y, a.z * b.z}; }
BOTH inline V3 operator*(V3 a, float s) { return {a.x * s, a.y * s, a.z * s}; }
BOTH inline float dot(V3 a, V3 b) { return a.x * b.x + a.y * b.y + a.z * b.z; }
BOTH inline V3 cross(V3 a, V3 b) { return {a.y * b.z - a.z * b.y, a.z * b.x - a.x * b.z, a.x * b.y - a.y * b.x}; }
BOTH inline V3 unit(V3 a) { return a * (1.0f / sqrtf(fmaxf(dot(a, a), 1e-20f))); }

struct Node {
    float low[3], high[3];
    int first, count;  // count 0: children at first and first + 1
};
struct Material {
    int texture;  // -1: none
    float scale_u, scale_v, coat, rough;
    float colour[3];
};
struct Texture {
    int64_t at;
    int wide, high;
};
struct Light {
    float centre[3], u[3], v[3], radiance[3];
};
struct Camera {
    float at[3], turn[9], focal, cx, cy;
    int wide, high, samples, bounces, seed;
};
struct Scene {
    const Node *nodes;
    const int *order, *faces, *material;
    const float *points, *normals, *uv, *colours;
    const Material *materials;
    const Texture *textures;
    const uint8_t *texels;
    const Light *lights;
    const float *sky, *sky_sum;  // radiance (SKY_HIGH, SKY_WIDE, 3), running sum of luminance times solid angle
    int light_count;
    float sky_share;  // of light samples that go to the sky
};
const int SKY_WIDE = 64, SKY_HIGH = 32;
const float PI = 3.14159265f;

struct Hit {
    float t, u, v;
    int face;
};

BOTH inline V3 at3(const float *a, int i) { return {a[3 * i], a[3 * i + 1], a[3 * i + 2]}; }

BOTH inline uint32_t next(uint32_t &s) {
    s = s * 747796405u + 2891336453u;
    uint32_t w = ((s >> ((s >> 28u) + 4u)) ^ s) * 277803737u;
    return (w >> 22u) ^ w;
}
BOTH inline float chance(uint32_t &s) { return (next(s) >> 8) * (1.0f / 16777216.0f); }

BOTH bool trace(const Scene &s, V3 o, V3 d, float far, bool any, Hit &hit) {
    V3 inv = v3(1.0f / (fabsf(d.x) > 1e-12f ? d.x : 1e-12f), 1.0f / (fabsf(d.y) > 1e-12f ? d.y : 1e-12f),
                1.0f / (fabsf(d.z) > 1e-12f ? d.z : 1e-12f));
    int stack[48], top = 0;
    stack[top++] = 0;
    hit.t = far;
    hit.face = -1;
    while (top) {
        const Node &n = s.nodes[stack[--top]];
        float a = (n.low[0] - o.x) * inv.x, b = (n.high[0] - o.x) * inv.x;
        float in = fminf(a, b), out = fmaxf(a, b);
        a = (n.low[1] - o.y) * inv.y, b = (n.high[1] - o.y) * inv.y;
        in = fmaxf(in, fminf(a, b)), out = fminf(out, fmaxf(a, b));
        a = (n.low[2] - o.z) * inv.z, b = (n.high[2] - o.z) * inv.z;
        in = fmaxf(in, fminf(a, b)), out = fminf(out, fmaxf(a, b));
        if (out < fmaxf(in, 0.0f) || in > hit.t) continue;
        if (n.count == 0) {
            // the nearer child, by the direction along the widest side, is looked at first
            const Node &l = s.nodes[n.first], &r = s.nodes[n.first + 1];
            float lc = (l.low[0] + l.high[0] - r.low[0] - r.high[0]) * d.x +
                       (l.low[1] + l.high[1] - r.low[1] - r.high[1]) * d.y +
                       (l.low[2] + l.high[2] - r.low[2] - r.high[2]) * d.z;
            int near = lc < 0 ? n.first : n.first + 1;
            if (top < 46) {
                stack[top++] = 2 * n.first + 1 - near;
                stack[top++] = near;
            }
            continue;
        }
        for (int k = 0; k < n.count; k++) {
            int f = s.order[n.first + k];
            V3 p = at3(s.points, s.faces[3 * f]), e1 = at3(s.points, s.faces[3 * f + 1]) - p,
               e2 = at3(s.points, s.faces[3 * f + 2]) - p;
            V3 q = cross(d, e2);
            float det = dot(e1, q);
            if (fabsf(det) < 1e-14f) continue;
            float id = 1.0f / det;
            V3 w = o - p;
            float u = dot(w, q) * id;
            if (u < -1e-6f || u > 1 + 1e-6f) continue;  // no cracks between triangles
            V3 r = cross(w, e1);
            float v = dot(d, r) * id;
            if (v < -1e-6f || u + v > 1 + 1e-6f) continue;
            float t = dot(e2, r) * id;
            if (t > 1e-5f && t < hit.t) {
                hit.t = t, hit.u = u, hit.v = v, hit.face = f;
                if (any) return true;
            }
        }
    }
    return hit.face >= 0;
}

BOTH inline float linear(uint8_t c) {
    float x = c * (1.0f / 255.0f);
    return x * (x * (x * 0.305306011f + 0.682171111f) + 0.012522878f);
}

BOTH V3 texel(const Scene &s, const Texture &t, int x, int y) {
    x = ((x % t.wide) + t.wide) % t.wide, y = ((y % t.high) + t.high) % t.high;
    const uint8_t *c = s.texels + t.at + 3 * ((int64_t)y * t.wide + x);
    return v3(linear(c[0]), linear(c[1]), linear(c[2]));
}

struct Surface {
    V3 p, n, g, colour;
    float coat, rough;
    int material;
};

BOTH Surface surface(const Scene &s, V3 o, V3 d, const Hit &h) {
    int a = s.faces[3 * h.face], b = s.faces[3 * h.face + 1], c = s.faces[3 * h.face + 2];
    float w = 1 - h.u - h.v;
    Surface f;
    f.p = o + d * h.t;
    V3 pa = at3(s.points, a);
    f.g = unit(cross(at3(s.points, b) - pa, at3(s.points, c) - pa));
    f.n = unit(at3(s.normals, a) * w + at3(s.normals, b) * h.u + at3(s.normals, c) * h.v);
    if (dot(f.g, d) > 0) f.g = f.g * -1.0f;
    if (dot(f.n, f.g) < 0) f.n = f.n * -1.0f;
    f.material = s.material[h.face];
    const Material &m = s.materials[f.material];
    f.colour = at3(s.colours, a) * w + at3(s.colours, b) * h.u + at3(s.colours, c) * h.v;
    f.colour = f.colour * v3(m.colour[0], m.colour[1], m.colour[2]);
    f.coat = m.coat, f.rough = m.rough;
    if (m.texture >= 0) {
        const Texture &t = s.textures[m.texture];
        float u = (s.uv[2 * a] * w + s.uv[2 * b] * h.u + s.uv[2 * c] * h.v) * m.scale_u * t.wide - 0.5f;
        float v = (s.uv[2 * a + 1] * w + s.uv[2 * b + 1] * h.u + s.uv[2 * c + 1] * h.v) * -m.scale_v * t.high - 0.5f;
        float fu = floorf(u), fv = floorf(v), du = u - fu, dv = v - fv;
        int x = (int)fu, y = (int)fv;
        V3 top = texel(s, t, x, y) * (1 - du) + texel(s, t, x + 1, y) * du;
        V3 low = texel(s, t, x, y + 1) * (1 - du) + texel(s, t, x + 1, y + 1) * du;
        f.colour = f.colour * (top * (1 - dv) + low * dv);
    }
    return f;
}

BOTH V3 sky(const Scene &s, V3 d) {
    int x = (int)((atan2f(d.x, d.z) / (2 * PI) + 0.5f) * SKY_WIDE), y = (int)(acosf(fmaxf(-1.0f, fminf(1.0f, d.y))) / PI * SKY_HIGH);
    x = x < 0 ? 0 : x >= SKY_WIDE ? SKY_WIDE - 1 : x, y = y < 0 ? 0 : y >= SKY_HIGH ? SKY_HIGH - 1 : y;
    return at3(s.sky, y * SKY_WIDE + x);
}

BOTH V3 reflected(const Surface &f, V3 to_eye, V3 to_light) {
    float nl = fmaxf(dot(f.n, to_light), 0.0f);
    V3 out = f.colour * (nl / PI);
    if (f.coat > 0 && nl > 0) {
        V3 h = unit(to_eye + to_light);
        float nh = fmaxf(dot(f.n, h), 0.0f), nv = fmaxf(dot(f.n, to_eye), 0.05f), a2 = f.rough * f.rough;
        a2 *= a2;
        float k = nh * nh * (a2 - 1) + 1, spread = a2 / (PI * k * k);
        float fresnel = 0.04f + 0.96f * powf(1 - fmaxf(dot(h, to_eye), 0.0f), 5.0f);
        out = out + v3(1, 1, 1) * (f.coat * fresnel * spread / (4 * nv) * fminf(1.0f, 2 * nh * nv));
    }
    return out;
}

BOTH V3 direct(const Scene &s, const Surface &f, V3 to_eye, uint32_t &seed) {
    Hit h;
    float which = chance(seed), a = chance(seed), b = chance(seed);
    V3 from = f.p + f.g * 2e-4f;
    if (which < s.sky_share || s.light_count == 0) {
        const int cells = SKY_WIDE * SKY_HIGH;
        float total = s.sky_sum[cells - 1], want = a * total;
        int low = 0, high = cells - 1;
        while (low < high) {
            int middle = (low + high) / 2;
            if (s.sky_sum[middle] < want) low = middle + 1;
            else high = middle;
        }
        float mine = s.sky_sum[low] - (low ? s.sky_sum[low - 1] : 0.0f);
        int x = low % SKY_WIDE, y = low / SKY_WIDE;
        float c0 = cosf(PI * y / SKY_HIGH), c1 = cosf(PI * (y + 1) / SKY_HIGH);
        float c = c0 + (c1 - c0) * b, r = sqrtf(fmaxf(0.0f, 1 - c * c));
        float angle = ((x + chance(seed)) / SKY_WIDE - 0.5f) * 2 * PI;
        V3 d = v3(r * sinf(angle), c, r * cosf(angle));
        if (dot(d, f.g) <= 0 || dot(d, f.n) <= 0 || trace(s, from, d, 1e9f, true, h)) return v3(0, 0, 0);
        float solid = (c0 - c1) * 2 * PI / SKY_WIDE;
        float share = s.light_count ? s.sky_share : 1.0f;
        return reflected(f, to_eye, d) * at3(s.sky, low) * (solid * total / fmaxf(mine, 1e-12f) / share);
    }
    float rest = (which - s.sky_share) / (1 - s.sky_share) * s.light_count;
    const Light &l = s.lights[(int)rest < s.light_count ? (int)rest : s.light_count - 1];
    V3 u = v3(l.u[0], l.u[1], l.u[2]), v = v3(l.v[0], l.v[1], l.v[2]);
    V3 p = v3(l.centre[0], l.centre[1], l.centre[2]) + u * (2 * a - 1) + v * (2 * b - 1);
    V3 n = cross(u, v), d = p - from;
    float area = 4 * sqrtf(dot(n, n)), far = sqrtf(dot(d, d));
    d = d * (1 / far);
    float cosine = -dot(unit(n), d);
    if (cosine <= 0 || dot(d, f.g) <= 0 || dot(d, f.n) <= 0 || trace(s, from, d, far * 0.999f, true, h)) return v3(0, 0, 0);
    float weight = area * cosine / (far * far) * s.light_count / (1 - s.sky_share);
    return reflected(f, to_eye, d) * v3(l.radiance[0], l.radiance[1], l.radiance[2]) * weight;
}

BOTH V3 around(V3 n, uint32_t &seed) {
    float a = chance(seed) * 2 * PI, r2 = chance(seed), r = sqrtf(r2);
    V3 t = unit(fabsf(n.x) > 0.5f ? cross(n, v3(0, 1, 0)) : cross(n, v3(1, 0, 0))), b = cross(n, t);
    return unit(t * (r * cosf(a)) + b * (r * sinf(a)) + n * sqrtf(1 - r2));
}

BOTH void pixel(const Scene &s, const Camera &c, int i, float *image, int16_t *labels, float *range) {
    int x = i % c.wide, y = i / c.wide;
    uint32_t seed = (uint32_t)i * 9781u + (uint32_t)c.seed * 6271u;
    next(seed);
    V3 sum = v3(0, 0, 0), eye = v3(c.at[0], c.at[1], c.at[2]);
    for (int k = 0; k <= c.samples; k++) {
        // the last ray goes through the middle of the pixel and tells what is there
        bool last = k == c.samples;
        float px = x + (last ? 0.0f : chance(seed) - 0.5f), py = y + (last ? 0.0f : chance(seed) - 0.5f);
        V3 w = v3((px - c.cx) / c.focal, (py - c.cy) / c.focal, 1);
        V3 d = unit(v3(c.turn[0] * w.x + c.turn[3] * w.y + c.turn[6], c.turn[1] * w.x + c.turn[4] * w.y + c.turn[7],
                       c.turn[2] * w.x + c.turn[5] * w.y + c.turn[8]));
        V3 o = eye, through = v3(1, 1, 1), got = v3(0, 0, 0);
        Hit h;
        if (last) {
            bool there = trace(s, o, d, 1e9f, false, h);
            labels[i] = there ? (int16_t)s.material[h.face] : (int16_t)-1;
            range[i] = there ? h.t : 1e9f;
            break;
        }
        for (int step = 0;; step++) {
            if (!trace(s, o, d, 1e9f, false, h)) {
                if (step == 0) got = sky(s, d);
                break;
            }
            Surface f = surface(s, o, d, h);
            V3 light = direct(s, f, d * -1.0f, seed) * through;
            float bright = fmaxf(light.x, fmaxf(light.y, light.z)), most = step ? 4.0f : 30.0f;
            got = got + light * (bright > most ? most / bright : 1.0f);
            if (step >= c.bounces) break;
            through = through * f.colour;
            d = around(f.n, seed);
            if (dot(d, f.g) <= 0) break;
            o = f.p + f.g * 2e-4f;
        }
        sum = sum + got;
    }
    float share = 1.0f / c.samples;
    image[3 * i] = sum.x * share, image[3 * i + 1] = sum.y * share, image[3 * i + 2] = sum.z * share;
}

// ---- hierarchy, built on the processor
struct Box {
    float low[3] = {1e30f, 1e30f, 1e30f}, high[3] = {-1e30f, -1e30f, -1e30f};
    void add(const float *l, const float *h) {
        for (int k = 0; k < 3; k++) low[k] = std::min(low[k], l[k]), high[k] = std::max(high[k], h[k]);
    }
    float area() const {
        float a = high[0] - low[0], b = high[1] - low[1], c = high[2] - low[2];
        return a < 0 ? 0 : a * b + b * c + c * a;
    }
};

static void grow(std::vector<Node> &nodes, std::vector<int> &order, const std::vector<Box> &boxes, int self, int first,
                 int count) {
    Box all, mids;
    for (int k = first; k < first + count; k++) {
        const Box &b = boxes[order[k]];
        all.add(b.low, b.high);
        float m[3];
        for (int j = 0; j < 3; j++) m[j] = 0.5f * (b.low[j] + b.high[j]);
        mids.add(m, m);
    }
    std::memcpy(nodes[self].low, all.low, 12), std::memcpy(nodes[self].high, all.high, 12);
    int axis = 0;
    for (int k = 1; k < 3; k++)
        if (mids.high[k] - mids.low[k] > mids.high[axis] - mids.low[axis]) axis = k;
    float span = mids.high[axis] - mids.low[axis];
    if (count <= 3 || span < 1e-9f) {
        nodes[self].first = first, nodes[self].count = count;
        if (count <= 64) return;
    }
    const int bins = 12;
    Box bin[bins];
    int held[bins] = {0};
    auto place = [&](int f) {
        float m = 0.5f * (boxes[f].low[axis] + boxes[f].high[axis]);
        return span < 1e-9f ? 0 : std::min(bins - 1, (int)((m - mids.low[axis]) / span * bins));
    };
    for (int k = first; k < first + count; k++) {
        int b = place(order[k]);
        held[b]++, bin[b].add(boxes[order[k]].low, boxes[order[k]].high);
    }
    float best = 1e30f, right[bins];
    Box acc;
    int n = 0, cut = bins / 2;
    for (int k = bins - 1; k > 0; k--) acc.add(bin[k].low, bin[k].high), n += held[k], right[k] = acc.area() * n;
    acc = Box(), n = 0;
    for (int k = 0; k < bins - 1; k++) {
        acc.add(bin[k].low, bin[k].high), n += held[k];
        float cost = acc.area() * n + right[k + 1];
        if (n && n < count && cost < best) best = cost, cut = k + 1;
    }
    auto split = std::partition(order.begin() + first, order.begin() + first + count, [&](int f) { return place(f) < cut; });
    int left = (int)(split - order.begin()) - first;
    if (left == 0 || left == count) left = count / 2;
    int child = (int)nodes.size();
    nodes.resize(child + 2);
    nodes[self].first = child, nodes[self].count = 0;
    grow(nodes, order, boxes, child, first, left);
    grow(nodes, order, boxes, child + 1, first + left, count - left);
}

#ifdef __CUDACC__
__global__ void pixels(Scene s, Camera c, float *image, int16_t *labels, float *range) {
    // blocks of 8 x 4 pixels keep neighbouring rays together
    int x = blockIdx.x * 8 + threadIdx.x % 8, y = blockIdx.y * 16 + threadIdx.x / 8;
    if (x < c.wide && y < c.high) pixel(s, c, y * c.wide + x, image, labels, range);
}
template <class T> static const T *up(const T *from, size_t count, std::vector<void *> &held) {
    void *to = nullptr;
    if (cudaMalloc(&to, count * sizeof(T) + 16) != cudaSuccess) return nullptr;
    cudaMemcpy(to, from, count * sizeof(T), cudaMemcpyHostToDevice);
    held.push_back(to);
    return (const T *)to;
}
#endif

// Returns 0, or the number of the graphics card's error.
extern "C" int render(int point_count, int face_count, const float *points, const float *normals, const float *uv,
                      const float *colours, const int *faces, const int *material, int material_count,
                      const Material *materials, int texture_count, const Texture *textures, int64_t texel_count,
                      const uint8_t *texels, int light_count, const Light *lights, const float *sky_map, float sky_share,
                      const Camera *camera, float *image, int16_t *labels, float *range) {
    std::vector<Box> boxes(face_count);
    std::vector<int> order(face_count);
    for (int f = 0; f < face_count; f++) {
        order[f] = f;
        for (int k = 0; k < 3; k++) boxes[f].add(points + 3 * faces[3 * f + k], points + 3 * faces[3 * f + k]);
    }
    std::vector<Node> nodes(1);
    nodes.reserve(2 * face_count);
    grow(nodes, order, boxes, 0, 0, face_count);
    std::vector<float> sum(SKY_WIDE * SKY_HIGH);
    float total = 0;
    for (int i = 0; i < SKY_WIDE * SKY_HIGH; i++) {
        float solid = cosf(PI * (i / SKY_WIDE) / SKY_HIGH) - cosf(PI * (i / SKY_WIDE + 1) / SKY_HIGH);
        total += solid * (sky_map[3 * i] + sky_map[3 * i + 1] + sky_map[3 * i + 2] + 1e-6f);
        sum[i] = total;
    }
    int count = camera->wide * camera->high;
#ifdef __CUDACC__
    std::vector<void *> held;
    Scene s = {up(nodes.data(), nodes.size(), held), up(order.data(), order.size(), held), up(faces, 3 * face_count, held),
               up(material, face_count, held), up(points, 3 * point_count, held), up(normals, 3 * point_count, held),
               up(uv, 2 * point_count, held), up(colours, 3 * point_count, held), up(materials, material_count, held),
               up(textures, texture_count, held), up(texels, texel_count, held), up(lights, light_count, held),
               up(sky_map, 3 * SKY_WIDE * SKY_HIGH, held), up(sum.data(), sum.size(), held), light_count, sky_share};
    float *image_d = nullptr, *range_d = nullptr;
    int16_t *labels_d = nullptr;
    cudaMalloc(&image_d, count * 12), cudaMalloc(&range_d, count * 4), cudaMalloc(&labels_d, count * 2);
    dim3 grid((camera->wide + 7) / 8, (camera->high + 15) / 16);
    pixels<<<grid, 128>>>(s, *camera, image_d, labels_d, range_d);
    cudaMemcpy(image, image_d, count * 12, cudaMemcpyDeviceToHost);
    cudaMemcpy(range, range_d, count * 4, cudaMemcpyDeviceToHost);
    cudaMemcpy(labels, labels_d, count * 2, cudaMemcpyDeviceToHost);
    for (void *p : held) cudaFree(p);
    cudaFree(image_d), cudaFree(range_d), cudaFree(labels_d);
    return (int)cudaGetLastError();
#else
    Scene s = {nodes.data(), order.data(), faces, material, points, normals, uv, colours, materials, textures, texels, lights,
               sky_map, sum.data(), light_count, sky_share};
#pragma omp parallel for schedule(dynamic, 512)
    for (int i = 0; i < count; i++) pixel(s, *camera, i, image, labels, range);
    return 0;
#endif
}
