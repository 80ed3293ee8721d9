// One step of a lattice Boltzmann flow (D3Q19, regularised collision, Smagorinsky), and its averages.
// Keep in sync with src/phantom/flow/lattice.rs, which says where the formulas come from.
//
// Distributions are kept as deviations from rest, f - w, times SCALE, two to a word as half floats:
// word 0 holds direction 0, word k (1 to 9) the opposite directions 2k - 1 and 2k.

struct Flow {
    // Cells along x, y, z; first step of this dispatch
    cells: vec3<u32>,
    step: u32,
    // Region that is averaged: first cell, cells a side of a stored cell
    first: vec3<u32>,
    ratio: u32,
    stored: vec3<u32>,
    samples: u32,
    inflow: f32,
    noise: f32,
    relaxation: f32,
    smagorinsky: f32,
    sponge: f32,
    rho: f32,
    spare_a: u32,
    spare_b: u32,
}

const SCALE: f32 = 1024.0;
const W0: f32 = 0.33333333;
const W1: f32 = 0.055555556;
const W2: f32 = 0.027777778;

@group(0) @binding(0) var<uniform> flow: Flow;
@group(0) @binding(1) var<storage, read> distance: array<f32>;
@group(0) @binding(2) var<storage, read> before: array<u32>;
@group(0) @binding(3) var<storage, read_write> after: array<u32>;
@group(0) @binding(4) var<storage, read_write> sums: array<f32>;

fn pair_direction(k: u32) -> vec3<i32> {
    switch k {
        case 1u: { return vec3<i32>(1, 0, 0); }
        case 2u: { return vec3<i32>(0, 1, 0); }
        case 3u: { return vec3<i32>(0, 0, 1); }
        case 4u: { return vec3<i32>(1, 1, 0); }
        case 5u: { return vec3<i32>(1, -1, 0); }
        case 6u: { return vec3<i32>(1, 0, 1); }
        case 7u: { return vec3<i32>(1, 0, -1); }
        case 8u: { return vec3<i32>(0, 1, 1); }
        default: { return vec3<i32>(0, 1, -1); }
    }
}

fn count() -> u32 {
    return flow.cells.x * flow.cells.y * flow.cells.z;
}

fn offset(c: vec3<i32>) -> i32 {
    return c.x + i32(flow.cells.x) * (c.y + i32(flow.cells.y) * c.z);
}

fn word(k: u32, cell: u32) -> vec2<f32> {
    return unpack2x16float(before[k * count() + cell]) / SCALE;
}

// Density minus one and momentum of a cell as it stands
fn moments(cell: u32) -> vec4<f32> {
    var rho = word(0u, cell).x;
    var j = vec3<f32>(0.0);
    for (var k = 1u; k < 10u; k++) {
        let h = word(k, cell);
        rho += h.x + h.y;
        j += (h.x - h.y) * vec3<f32>(pair_direction(k));
    }
    return vec4<f32>(j, rho);
}

fn hash(a: u32) -> u32 {
    var x = a * 747796405u + 2891336453u;
    x = ((x >> ((x >> 28u) + 4u)) ^ x) * 277803737u;
    return (x >> 22u) ^ x;
}

// Noise of the inflow, -1 to 1, constant over blocks of 8 by 8 cells and 64 steps
fn noise_at(x: u32, y: u32, axis: u32) -> f32 {
    let key = hash(hash(hash(x / 8u + 977u * (y / 8u)) + flow.step / 64u) + axis);
    return f32(key >> 8u) / 8388608.0 - 1.0;
}

fn equilibrium(w: f32, rho: f32, u: vec3<f32>, cu: f32) -> f32 {
    return w * (rho + (1.0 + rho) * (3.0 * cu + 4.5 * cu * cu - 1.5 * dot(u, u)));
}

fn store_equilibrium(cell: u32, rho: f32, u: vec3<f32>) {
    let n = count();
    after[cell] = pack2x16float(vec2<f32>(equilibrium(W0, rho, u, 0.0) * SCALE, 0.0));
    for (var k = 1u; k < 10u; k++) {
        let cu = dot(u, vec3<f32>(pair_direction(k)));
        let w = select(W2, W1, k < 4u);
        let pair = vec2<f32>(equilibrium(w, rho, u, cu), equilibrium(w, rho, u, -cu));
        after[k * n + cell] = pack2x16float(pair * SCALE);
    }
}

// A distribution that comes out of a wall: linearly interpolated bounce-back
fn bounced(own: f32, own_opposite: f32, beyond: f32, beyond_solid: bool, d0: f32, d1: f32) -> f32 {
    let q = d0 / (d0 - d1);
    if beyond_solid {
        return own_opposite;
    }
    if q < 0.5 {
        return 2.0 * q * own_opposite + (1.0 - 2.0 * q) * beyond;
    }
    return own_opposite / (2.0 * q) + (1.0 - 0.5 / q) * own;
}

@compute @workgroup_size(64, 1, 1)
fn advance(@builtin(global_invocation_id) at: vec3<u32>) {
    if at.x >= flow.cells.x {
        return;
    }
    let cell = at.x + flow.cells.x * (at.y + flow.cells.y * at.z);
    let d0 = distance[cell];
    if d0 <= 0.0 {
        return;
    }
    let plane = flow.cells.x * flow.cells.y;
    let last = flow.cells.z - 1u;
    if at.z == 0u {
        let rho = moments(cell + plane).w;
        let shake = vec3<f32>(noise_at(at.x, at.y, 0u), noise_at(at.x, at.y, 1u), noise_at(at.x, at.y, 2u));
        let u = flow.inflow * (vec3<f32>(0.0, 0.0, 1.0) + flow.noise * shake);
        store_equilibrium(cell, rho, u);
        return;
    }
    if at.z == last {
        let m = moments(cell - plane);
        store_equilibrium(cell, 0.0, m.xyz / (1.0 + m.w));
        return;
    }
    let n = count();
    let near = d0 < 2.0;
    var h0 = word(0u, cell).x;
    var plus: array<f32, 10>;
    var minus: array<f32, 10>;
    var rho = h0;
    var j = vec3<f32>(0.0);
    for (var k = 1u; k < 10u; k++) {
        let c = pair_direction(k);
        let o = offset(c);
        let behind = u32(i32(cell) - o);
        let ahead = u32(i32(cell) + o);
        var p = unpack2x16float(before[k * n + behind]).x / SCALE;
        var m = unpack2x16float(before[k * n + ahead]).y / SCALE;
        if near {
            let db = distance[behind];
            let da = distance[ahead];
            if db <= 0.0 || da <= 0.0 {
                let own = word(k, cell);
                if db <= 0.0 {
                    let beyond = unpack2x16float(before[k * n + ahead]).y / SCALE;
                    p = bounced(own.x, own.y, beyond, da <= 0.0, d0, db);
                }
                if da <= 0.0 {
                    let beyond = unpack2x16float(before[k * n + behind]).x / SCALE;
                    m = bounced(own.y, own.x, beyond, db <= 0.0, d0, da);
                }
            }
        }
        plus[k] = p;
        minus[k] = m;
        rho += p + m;
        j += (p - m) * vec3<f32>(c);
    }
    let u = j / (1.0 + rho);
    // Second moments of what is not in equilibrium: xx yy zz xy xz yz
    var xx = 0.0;
    var yy = 0.0;
    var zz = 0.0;
    var xy = 0.0;
    var xz = 0.0;
    var yz = 0.0;
    for (var k = 1u; k < 10u; k++) {
        let c = vec3<f32>(pair_direction(k));
        let cu = dot(u, c);
        let w = select(W2, W1, k < 4u);
        let pe = equilibrium(w, rho, u, cu);
        let me = equilibrium(w, rho, u, -cu);
        let both = plus[k] - pe + minus[k] - me;
        xx += both * c.x * c.x;
        yy += both * c.y * c.y;
        zz += both * c.z * c.z;
        xy += both * c.x * c.y;
        xz += both * c.x * c.z;
        yz += both * c.y * c.z;
    }
    let square = xx * xx + yy * yy + zz * zz + 2.0 * (xy * xy + xz * xz + yz * yz);
    let reach = max(0.0, (f32(at.z) / f32(last) - 0.85) / 0.15);
    let tau0 = flow.relaxation + flow.sponge * reach * reach;
    let strain = 25.455844 * flow.smagorinsky * flow.smagorinsky * sqrt(square) / (1.0 + rho);
    let tau = 0.5 * (tau0 + sqrt(tau0 * tau0 + strain));
    let keep = 4.5 * (1.0 - 1.0 / tau);
    let third = (xx + yy + zz) / 3.0;
    after[cell] = pack2x16float(vec2<f32>((equilibrium(W0, rho, u, 0.0) - keep * W0 * third) * SCALE, 0.0));
    for (var k = 1u; k < 10u; k++) {
        let c = vec3<f32>(pair_direction(k));
        let cu = dot(u, c);
        let w = select(W2, W1, k < 4u);
        let cc = xx * c.x * c.x + yy * c.y * c.y + zz * c.z * c.z
            + 2.0 * (xy * c.x * c.y + xz * c.x * c.z + yz * c.y * c.z) - third;
        let part = keep * w * cc;
        let pair = vec2<f32>(equilibrium(w, rho, u, cu) + part, equilibrium(w, rho, u, -cu) + part);
        after[k * n + cell] = pack2x16float(pair * SCALE);
    }
}

// Adds the velocity and its products over the fluid cells of each stored cell
@compute @workgroup_size(64, 1, 1)
fn gather(@builtin(global_invocation_id) at: vec3<u32>) {
    if at.x >= flow.stored.x {
        return;
    }
    var mean = vec3<f32>(0.0);
    var square = vec3<f32>(0.0);
    var cross = vec3<f32>(0.0);
    for (var z = 0u; z < flow.ratio; z++) {
        for (var y = 0u; y < flow.ratio; y++) {
            for (var x = 0u; x < flow.ratio; x++) {
                let p = flow.first + at * flow.ratio + vec3<u32>(x, y, z);
                let cell = p.x + flow.cells.x * (p.y + flow.cells.y * p.z);
                if distance[cell] > 0.0 {
                    let m = moments(cell);
                    let u = m.xyz / (1.0 + m.w);
                    mean += u;
                    square += u * u;
                    cross += vec3<f32>(u.x * u.y, u.x * u.z, u.y * u.z);
                }
            }
        }
    }
    let n = flow.stored.x * flow.stored.y * flow.stored.z;
    let i = at.x + flow.stored.x * (at.y + flow.stored.y * at.z);
    let values = array<f32, 9>(mean.x, mean.y, mean.z, square.x, square.y, square.z, cross.x, cross.y, cross.z);
    for (var k = 0u; k < 9u; k++) {
        sums[k * n + i] += values[k];
    }
}
