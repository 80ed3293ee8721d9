// One time frame of the volume, and how it is read at a point.
//
// Prepended to every shader that reads the volume. Points are in voxels, voxel centres at whole
// numbers. Keep in sync with src/gpu/textures.rs (what the textures hold).

// tissue in shares of the code range
@group(0) @binding(0) var echo_texture: texture_3d<f32>;
// r: presence * cos(phase), g: presence * sin(phase), both as (128 + 127 x) / 255;
// b: presence, 0 or 1; a: power in shares of the code range
@group(0) @binding(1) var flow_texture: texture_3d<f32>;
@group(0) @binding(2) var volume_sampler: sampler;
// bricks of BRICK voxels a side: the largest power of what is coloured in them and in the next
// voxels up, 0 where nothing is; 1 for colour without a power channel
@group(0) @binding(3) var brick_texture: texture_3d<f32>;

const BRICK: f32 = 8.0;

// Whether the sampler weighs the eight neighbours; otherwise they are loaded and weighed here.
override filtered: bool = true;

struct Flow {
    re: f32,
    im: f32,
    coloured: f32,
    power: f32,
}

fn volume_shape() -> vec3f {
    return vec3f(textureDimensions(echo_texture));
}

// Between the outermost voxel centres, give or take rounding.
fn inside(voxel: vec3f) -> bool {
    let last = volume_shape() - 1.0;
    return all(voxel >= vec3f(-1e-3)) && all(voxel <= last + 1e-3);
}

fn filter_by_hand(image: texture_3d<f32>, voxel: vec3f) -> vec4f {
    let last = vec3i(textureDimensions(image)) - 1;
    let at = clamp(voxel, vec3f(0.0), vec3f(last));
    let low = min(vec3i(at), max(last - 1, vec3i(0)));
    let high = min(low + 1, last);
    let part = at - vec3f(low);
    let a = mix(textureLoad(image, low, 0), textureLoad(image, vec3i(high.x, low.y, low.z), 0), part.x);
    let b = mix(textureLoad(image, vec3i(low.x, high.y, low.z), 0), textureLoad(image, vec3i(high.x, high.y, low.z), 0), part.x);
    let c = mix(textureLoad(image, vec3i(low.x, low.y, high.z), 0), textureLoad(image, vec3i(high.x, low.y, high.z), 0), part.x);
    let d = mix(textureLoad(image, vec3i(low.x, high.y, high.z), 0), textureLoad(image, high, 0), part.x);
    return mix(mix(a, b, part.y), mix(c, d, part.y), part.z);
}

fn echo_at(voxel: vec3f) -> f32 {
    if filtered {
        return textureSampleLevel(echo_texture, volume_sampler, (voxel + 0.5) / volume_shape(), 0.0).r;
    }
    return filter_by_hand(echo_texture, voxel).r;
}

fn flow_at(voxel: vec3f) -> Flow {
    var raw: vec4f;
    if filtered {
        raw = textureSampleLevel(flow_texture, volume_sampler, (voxel + 0.5) / volume_shape(), 0.0);
    } else {
        raw = filter_by_hand(flow_texture, voxel);
    }
    return Flow((raw.r * 255.0 - 128.0) / 127.0, (raw.g * 255.0 - 128.0) / 127.0, raw.b, raw.a);
}

// Length of the mean phasor of the coloured neighbours, 0 to 1.
fn coherence(flow: Flow) -> f32 {
    return min(length(vec2f(flow.re, flow.im)) / max(flow.coloured, 1e-4), 1.0);
}

// Share of the cycle above the lowest displayed velocity; `low` is that velocity's own share.
fn cycle_share(flow: Flow, low: f32) -> f32 {
    return fract(atan2(flow.im, flow.re) / 6.283185307179586 - low);
}
