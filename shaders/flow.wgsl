// One step of a lattice Boltzmann flow (D3Q19, regularised collision, Smagorinsky), and its averages.
// Keep in sync with src/phantom/flow/processor.rs, which says where the formulas come from.
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
@group(0) @binding(1) var<storage, read> walls: array<f32>;
@group(0) @binding(2) var<storage, read> before: array<u32>;
@group(0) @binding(3) var<storage, read_write> after: array<u32>;
@group(0) @binding(4) var<storage, read_write> sums: array<f32>;

fn count() -> u32 {
    return flow.cells.x * flow.cells.y * flow.cells.z;
}

fn word(k: u32, cell: u32) -> vec2<f32> {
    return unpack2x16float(before[k * count() + cell]) / SCALE;
}

// Density minus one and momentum of a cell as it stands
fn moments(cell: u32) -> vec4<f32> {
    let h0 = word(0u, cell).x;
    let h1 = word(1u, cell);
    let h2 = word(2u, cell);
    let h3 = word(3u, cell);
    let h4 = word(4u, cell);
    let h5 = word(5u, cell);
    let h6 = word(6u, cell);
    let h7 = word(7u, cell);
    let h8 = word(8u, cell);
    let h9 = word(9u, cell);
    let d1 = h1.x - h1.y;
    let d2 = h2.x - h2.y;
    let d3 = h3.x - h3.y;
    let d4 = h4.x - h4.y;
    let d5 = h5.x - h5.y;
    let d6 = h6.x - h6.y;
    let d7 = h7.x - h7.y;
    let d8 = h8.x - h8.y;
    let d9 = h9.x - h9.y;
    let j = vec3<f32>(
        d1 + d4 + d5 + d6 + d7,
        d2 + d4 - d5 + d8 + d9,
        d3 + d6 - d7 + d8 - d9,
    );
    return vec4<f32>(j, h0 + (h1.x + h1.y) + (h2.x + h2.y) + (h3.x + h3.y) + (h4.x + h4.y) + (h5.x + h5.y) + (h6.x + h6.y) + (h7.x + h7.y) + (h8.x + h8.y) + (h9.x + h9.y));
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

// The pair of equilibria along c and against it, for a weight and c . u
fn rest(w: f32, rho: f32, square: f32, cu: f32) -> vec2<f32> {
    let even = rho + (1.0 + rho) * (4.5 * cu * cu - 1.5 * square);
    let odd = (1.0 + rho) * 3.0 * cu;
    return w * vec2<f32>(even + odd, even - odd);
}

fn store(k: u32, cell: u32, pair: vec2<f32>) {
    after[k * count() + cell] = pack2x16float(pair * SCALE);
}

fn store_rest(cell: u32, rho: f32, u: vec3<f32>) {
    let square = dot(u, u);
    store(0u, cell, vec2<f32>(W0 * (rho - (1.0 + rho) * 1.5 * square), 0.0));
    store(1u, cell, rest(W1, rho, square, u.x));
    store(2u, cell, rest(W1, rho, square, u.y));
    store(3u, cell, rest(W1, rho, square, u.z));
    store(4u, cell, rest(W2, rho, square, u.x + u.y));
    store(5u, cell, rest(W2, rho, square, u.x - u.y));
    store(6u, cell, rest(W2, rho, square, u.x + u.z));
    store(7u, cell, rest(W2, rho, square, u.x - u.z));
    store(8u, cell, rest(W2, rho, square, u.y + u.z));
    store(9u, cell, rest(W2, rho, square, u.y - u.z));
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

// A pair of directions at a cell beside a wall: behind it (distance db) or ahead (da)
fn walled(k: u32, cell: u32, d0: f32, db: f32, da: f32, pair: vec2<f32>) -> vec2<f32> {
    if db > 0.0 && da > 0.0 {
        return pair;
    }
    let own = word(k, cell);
    var out = pair;
    if db <= 0.0 {
        out.x = bounced(own.x, own.y, pair.y, da <= 0.0, d0, db);
    }
    if da <= 0.0 {
        out.y = bounced(own.y, own.x, pair.x, db <= 0.0, d0, da);
    }
    return out;
}

@compute @workgroup_size(64, 1, 1)
fn advance(@builtin(global_invocation_id) at: vec3<u32>) {
    if at.x >= flow.cells.x {
        return;
    }
    let cell = at.x + flow.cells.x * (at.y + flow.cells.y * at.z);
    let d0 = walls[cell];
    if d0 <= 0.0 {
        return;
    }
    let plane = flow.cells.x * flow.cells.y;
    let last = flow.cells.z - 1u;
    if at.z == 0u {
        let rho = moments(cell + plane).w;
        let shake = vec3<f32>(noise_at(at.x, at.y, 0u), noise_at(at.x, at.y, 1u), noise_at(at.x, at.y, 2u));
        let u = flow.inflow * (vec3<f32>(0.0, 0.0, 1.0) + flow.noise * shake);
        store_rest(cell, rho, u);
        return;
    }
    if at.z == last {
        let m = moments(cell - plane);
        store_rest(cell, 0.0, m.xyz / (1.0 + m.w));
        return;
    }
    let n = count();
    let row = i32(flow.cells.x);
    let layer = i32(plane);
    let here = i32(cell);
    let h0 = word(0u, cell).x;
    let b1 = u32(here - (1));
    let a1 = u32(here + (1));
    var p1 = unpack2x16float(before[1u * n + b1]).x / SCALE;
    var m1 = unpack2x16float(before[1u * n + a1]).y / SCALE;
    let b2 = u32(here - (row));
    let a2 = u32(here + (row));
    var p2 = unpack2x16float(before[2u * n + b2]).x / SCALE;
    var m2 = unpack2x16float(before[2u * n + a2]).y / SCALE;
    let b3 = u32(here - (layer));
    let a3 = u32(here + (layer));
    var p3 = unpack2x16float(before[3u * n + b3]).x / SCALE;
    var m3 = unpack2x16float(before[3u * n + a3]).y / SCALE;
    let b4 = u32(here - (1 + row));
    let a4 = u32(here + (1 + row));
    var p4 = unpack2x16float(before[4u * n + b4]).x / SCALE;
    var m4 = unpack2x16float(before[4u * n + a4]).y / SCALE;
    let b5 = u32(here - (1 - row));
    let a5 = u32(here + (1 - row));
    var p5 = unpack2x16float(before[5u * n + b5]).x / SCALE;
    var m5 = unpack2x16float(before[5u * n + a5]).y / SCALE;
    let b6 = u32(here - (1 + layer));
    let a6 = u32(here + (1 + layer));
    var p6 = unpack2x16float(before[6u * n + b6]).x / SCALE;
    var m6 = unpack2x16float(before[6u * n + a6]).y / SCALE;
    let b7 = u32(here - (1 - layer));
    let a7 = u32(here + (1 - layer));
    var p7 = unpack2x16float(before[7u * n + b7]).x / SCALE;
    var m7 = unpack2x16float(before[7u * n + a7]).y / SCALE;
    let b8 = u32(here - (row + layer));
    let a8 = u32(here + (row + layer));
    var p8 = unpack2x16float(before[8u * n + b8]).x / SCALE;
    var m8 = unpack2x16float(before[8u * n + a8]).y / SCALE;
    let b9 = u32(here - (row - layer));
    let a9 = u32(here + (row - layer));
    var p9 = unpack2x16float(before[9u * n + b9]).x / SCALE;
    var m9 = unpack2x16float(before[9u * n + a9]).y / SCALE;
    if d0 < 2.0 {
        let q1 = walled(1u, cell, d0, walls[b1], walls[a1], vec2<f32>(p1, m1));
        p1 = q1.x;
        m1 = q1.y;
        let q2 = walled(2u, cell, d0, walls[b2], walls[a2], vec2<f32>(p2, m2));
        p2 = q2.x;
        m2 = q2.y;
        let q3 = walled(3u, cell, d0, walls[b3], walls[a3], vec2<f32>(p3, m3));
        p3 = q3.x;
        m3 = q3.y;
        let q4 = walled(4u, cell, d0, walls[b4], walls[a4], vec2<f32>(p4, m4));
        p4 = q4.x;
        m4 = q4.y;
        let q5 = walled(5u, cell, d0, walls[b5], walls[a5], vec2<f32>(p5, m5));
        p5 = q5.x;
        m5 = q5.y;
        let q6 = walled(6u, cell, d0, walls[b6], walls[a6], vec2<f32>(p6, m6));
        p6 = q6.x;
        m6 = q6.y;
        let q7 = walled(7u, cell, d0, walls[b7], walls[a7], vec2<f32>(p7, m7));
        p7 = q7.x;
        m7 = q7.y;
        let q8 = walled(8u, cell, d0, walls[b8], walls[a8], vec2<f32>(p8, m8));
        p8 = q8.x;
        m8 = q8.y;
        let q9 = walled(9u, cell, d0, walls[b9], walls[a9], vec2<f32>(p9, m9));
        p9 = q9.x;
        m9 = q9.y;
    }
    let rho = h0 + (p1 + m1) + (p2 + m2) + (p3 + m3) + (p4 + m4) + (p5 + m5) + (p6 + m6) + (p7 + m7) + (p8 + m8) + (p9 + m9);
    let u = vec3<f32>(
        (p1 - m1) + (p4 - m4) + (p5 - m5) + (p6 - m6) + (p7 - m7),
        (p2 - m2) + (p4 - m4) - (p5 - m5) + (p8 - m8) + (p9 - m9),
        (p3 - m3) + (p6 - m6) - (p7 - m7) + (p8 - m8) - (p9 - m9),
    ) / (1.0 + rho);
    let square = dot(u, u);
    let e1 = rest(W1, rho, square, u.x);
    let s1 = p1 + m1 - e1.x - e1.y;
    let e2 = rest(W1, rho, square, u.y);
    let s2 = p2 + m2 - e2.x - e2.y;
    let e3 = rest(W1, rho, square, u.z);
    let s3 = p3 + m3 - e3.x - e3.y;
    let e4 = rest(W2, rho, square, u.x + u.y);
    let s4 = p4 + m4 - e4.x - e4.y;
    let e5 = rest(W2, rho, square, u.x - u.y);
    let s5 = p5 + m5 - e5.x - e5.y;
    let e6 = rest(W2, rho, square, u.x + u.z);
    let s6 = p6 + m6 - e6.x - e6.y;
    let e7 = rest(W2, rho, square, u.x - u.z);
    let s7 = p7 + m7 - e7.x - e7.y;
    let e8 = rest(W2, rho, square, u.y + u.z);
    let s8 = p8 + m8 - e8.x - e8.y;
    let e9 = rest(W2, rho, square, u.y - u.z);
    let s9 = p9 + m9 - e9.x - e9.y;
    // Second moments of what is not in equilibrium.
    let xx = s1 + s4 + s5 + s6 + s7;
    let yy = s2 + s4 + s5 + s8 + s9;
    let zz = s3 + s6 + s7 + s8 + s9;
    let xy = s4 - s5;
    let xz = s6 - s7;
    let yz = s8 - s9;
    let size = xx * xx + yy * yy + zz * zz + 2.0 * (xy * xy + xz * xz + yz * yz);
    let reach = max(0.0, (f32(at.z) / f32(last) - 0.85) / 0.15);
    let tau0 = flow.relaxation + flow.sponge * reach * reach;
    // 18 sqrt 2 C^2 |P|
    let still = min(d0 / 4.0, 1.0);
    let strain = 25.455844 * flow.smagorinsky * flow.smagorinsky * still * still * sqrt(size) / (1.0 + rho);
    let tau = 0.5 * (tau0 + sqrt(tau0 * tau0 + strain));
    let keep = 4.5 * (1.0 - 1.0 / tau);
    let third = (xx + yy + zz) / 3.0;
    store(0u, cell, vec2<f32>(W0 * (rho - (1.0 + rho) * 1.5 * square) - keep * W0 * third, 0.0));
    store(1u, cell, e1 + keep * W1 * (xx - third));
    store(2u, cell, e2 + keep * W1 * (yy - third));
    store(3u, cell, e3 + keep * W1 * (zz - third));
    store(4u, cell, e4 + keep * W2 * (xx + yy + 2.0 * xy - third));
    store(5u, cell, e5 + keep * W2 * (xx + yy - 2.0 * xy - third));
    store(6u, cell, e6 + keep * W2 * (xx + zz + 2.0 * xz - third));
    store(7u, cell, e7 + keep * W2 * (xx + zz - 2.0 * xz - third));
    store(8u, cell, e8 + keep * W2 * (yy + zz + 2.0 * yz - third));
    store(9u, cell, e9 + keep * W2 * (yy + zz - 2.0 * yz - third));
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
                if walls[cell] > 0.0 {
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
