// A cut through the volume: tissue, and colour over it by the rule of priority.
//
// Needs corner.wgsl and volume.wgsl before it. Keep in sync with src/gpu/cut_pass.rs (uniform) and
// src/gpu/picture.rs (the plain twin).

struct CutUniform {
    // voxel in the middle of the picture
    middle: vec4f,
    // voxels from the left edge to the right
    across: vec4f,
    // voxels from the lower edge to the upper
    upward: vec4f,
    // tissue window: low, 1 / (high - low), gamma; w: opacity of the colour
    tissue: vec4f,
    // gain, priority, share of the cycle at the lowest displayed velocity, strength of incoherence
    flow: vec4f,
    // colour outside the volume
    outside: vec4f,
    // colour of lost coherence
    incoherent: vec4f,
    // 1 where the volume has the channel: velocity, power
    has: vec4f,
}

@group(1) @binding(0) var<uniform> view: CutUniform;
@group(1) @binding(1) var velocity_colours: texture_2d<f32>;

fn voxel_at(place: vec2f) -> vec3f {
    return view.middle.xyz + view.across.xyz * (place.x - 0.5) + view.upward.xyz * (0.5 - place.y);
}

@fragment
fn colours(corner: Corner) -> @location(0) vec4f {
    let voxel = voxel_at(corner.place);
    if !inside(voxel) {
        return vec4f(view.outside.rgb, 1.0);
    }
    let echo = echo_at(voxel);
    let share = clamp((echo - view.tissue.x) * view.tissue.y, 0.0, 1.0);
    let grey = vec3f(pow(share, view.tissue.z));
    if view.has.x < 0.5 || echo > view.flow.y {
        return vec4f(grey, 1.0);
    }
    let flow = flow_at(voxel);
    if flow.coloured < 0.5 || (view.has.y > 0.5 && flow.power < view.flow.x) {
        return vec4f(grey, 1.0);
    }
    let size = textureDimensions(velocity_colours).x;
    let index = min(u32(cycle_share(flow, view.flow.z) * f32(size)), size - 1u);
    let colour = textureLoad(velocity_colours, vec2u(index, 0u), 0).rgb;
    let marked = mix(colour, view.incoherent.rgb, view.flow.w * (1.0 - coherence(flow)));
    return vec4f(mix(grey, marked, view.tissue.w), 1.0);
}

// The same samples as numbers: share of the cycle, coherence, presence, tissue; -1 outside.
@fragment
fn numbers(corner: Corner) -> @location(0) vec4f {
    let voxel = voxel_at(corner.place);
    if !inside(voxel) {
        return vec4f(-1.0);
    }
    let flow = flow_at(voxel);
    return vec4f(cycle_share(flow, view.flow.z), coherence(flow), flow.coloured, echo_at(voxel));
}
