// The area of every direction's cut: one workgroup a direction, one ray an invocation.
//
// Needs volume.wgsl before it. Keep in sync with src/gpu/tilt_pass.rs and src/gpu/tilt.rs (the
// plain twin).

struct TiltUniform {
    // voxel at the neck
    middle: vec4f,
    // level, reach in mm, 1 for power and 0 for presence
    look: vec4f,
    // rays, steps
    counts: vec4u,
}

// The cut's axes in voxels per millimetre.
struct Axes {
    u: vec4f,
    v: vec4f,
}

@group(1) @binding(0) var<uniform> view: TiltUniform;
@group(1) @binding(1) var<storage, read> directions: array<Axes>;
@group(1) @binding(2) var<storage, read_write> areas: array<f32>;

const WIDTH: u32 = 64u;
var<workgroup> sums: array<f32, WIDTH>;

fn above_level(voxel: vec3f) -> f32 {
    var signal = 0.0;
    if inside(voxel) {
        let flow = flow_at(voxel);
        signal = select(flow.coloured, flow.power, view.look.z > 0.5);
    }
    return signal - view.look.x;
}

// The part (from, to) of a step in which a linear signal from a to b is not negative.
fn part_above(a: f32, b: f32) -> vec2f {
    if a >= 0.0 && b >= 0.0 {
        return vec2f(0.0, 1.0);
    }
    if a < 0.0 && b < 0.0 {
        return vec2f(0.0, 0.0);
    }
    let crossing = a / (a - b);
    if a >= 0.0 {
        return vec2f(0.0, crossing);
    }
    return vec2f(crossing, 1.0);
}

@compute @workgroup_size(64)
fn measure(@builtin(workgroup_id) group: vec3u, @builtin(local_invocation_index) lane: u32) {
    let axes = directions[group.x];
    let step = view.look.y / f32(view.counts.y);
    let middle = above_level(view.middle.xyz);
    var halves = 0.0;
    for (var ray = lane; ray < view.counts.x; ray += WIDTH) {
        let angle = 6.283185307179586 * f32(ray) / f32(view.counts.x);
        let along = axes.u.xyz * cos(angle) + axes.v.xyz * sin(angle);
        var before = middle;
        for (var i = 1u; i <= view.counts.y; i++) {
            let far = f32(i) * step;
            let here = above_level(view.middle.xyz + along * far);
            let bounds = (far - step) + part_above(before, here) * step;
            halves += bounds.y * bounds.y - bounds.x * bounds.x;
            before = here;
        }
    }
    sums[lane] = halves;
    workgroupBarrier();
    if lane == 0u {
        var sum = 0.0;
        for (var i = 0u; i < WIDTH; i++) {
            sum += sums[i];
        }
        areas[group.x] = sum * 3.141592653589793 / f32(view.counts.x);
    }
}
