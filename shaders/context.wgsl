// The jet in three dimensions, with the cut drawn through it.
//
// Rays run through a ball about the jet, from the reader away. What is coloured and passes the gain
// glows in its velocity colour and hides what lies behind it; where a ray enters it, the slope of
// the presence gives the shade. The cut is a disc with a rim, met at its own depth.
//
// Needs volume.wgsl before it. Keep in sync with src/gpu/context.rs.

struct ContextUniform {
    // voxel in the middle of the ball
    middle: vec4f,
    // voxels per millimetre to the right, upward and toward the reader
    right: vec4f,
    upward: vec4f,
    toward: vec4f,
    // millimetres from the middle to the right and upper edge; radius of the ball; steps of a ray
    extent: vec4f,
    // gain, share of the cycle at the lowest displayed velocity, opacity a millimetre, power there
    flow: vec4f,
    // the cut: its normal (right, upward, toward), its distance along the normal, mm
    plane: vec4f,
    // the cut's middle (right, upward, toward), radius of its disc, mm
    disc: vec4f,
    // colour of the cut
    rim: vec4f,
}

@group(1) @binding(0) var<uniform> view: ContextUniform;
@group(1) @binding(1) var velocity_colours: texture_2d<f32>;

struct Corner {
    @builtin(position) position: vec4f,
    @location(0) place: vec2f,
}

@vertex
fn corner(@builtin(vertex_index) index: u32) -> Corner {
    let place = vec2f(f32((index << 1u) & 2u), f32(index & 2u));
    return Corner(vec4f(place.x * 2.0 - 1.0, 1.0 - place.y * 2.0, 0.0, 1.0), place);
}

fn voxel_at(point: vec3f) -> vec3f {
    return view.middle.xyz + view.right.xyz * point.x + view.upward.xyz * point.y + view.toward.xyz * point.z;
}

fn presence_at(point: vec3f) -> f32 {
    return flow_at(voxel_at(point)).coloured;
}

fn shade_at(point: vec3f) -> f32 {
    let step = view.extent.z * 0.03;
    let slope = vec3f(
        presence_at(point - vec3f(step, 0.0, 0.0)) - presence_at(point + vec3f(step, 0.0, 0.0)),
        presence_at(point - vec3f(0.0, step, 0.0)) - presence_at(point + vec3f(0.0, step, 0.0)),
        presence_at(point - vec3f(0.0, 0.0, step)) - presence_at(point + vec3f(0.0, 0.0, step)),
    );
    let normal = slope / max(length(slope), 1e-4);
    // Light from above the reader's left shoulder.
    return 0.45 + 0.65 * max(dot(normal, vec3f(-0.41, 0.57, 0.71)), 0.0);
}

// The cut's colour at a point of its plane: premultiplied, clear beyond the rim.
fn disc_colour(point: vec3f) -> vec4f {
    let away = distance(point, view.disc.xyz);
    let width = view.extent.z * 0.012;
    let rim = clamp((width - abs(away - view.disc.w + width)) / width + 0.5, 0.0, 1.0);
    let fill = select(0.0, 0.16, away < view.disc.w - width);
    let alpha = max(rim * 0.95, fill);
    return vec4f(view.rim.rgb * alpha, alpha);
}

@fragment
fn colours(corner: Corner) -> @location(0) vec4f {
    let across = (corner.place.x * 2.0 - 1.0) * view.extent.x;
    let up = (1.0 - corner.place.y * 2.0) * view.extent.y;
    let room = view.extent.z * view.extent.z - across * across - up * up;
    if room <= 0.0 {
        return vec4f(0.0);
    }
    let near = sqrt(room);
    let step = 2.0 * view.extent.z / view.extent.w;
    let lean = view.plane.z;
    var plane_depth = -1e9;
    if abs(lean) > 1e-4 {
        plane_depth = (view.plane.w - view.plane.x * across - view.plane.y * up) / lean;
    }
    var seen = vec4f(0.0);
    var shade = 1.0;
    var was_in = false;
    var depth = near;
    loop {
        if depth < -near || seen.a > 0.97 {
            break;
        }
        if plane_depth <= depth + step && plane_depth > depth {
            seen += (1.0 - seen.a) * disc_colour(vec3f(across, up, plane_depth));
        }
        let point = vec3f(across, up, depth);
        let voxel = voxel_at(point);
        depth -= step;
        if !inside(voxel) {
            was_in = false;
            continue;
        }
        if view.flow.w > 0.5 && echo_at(voxel).g < view.flow.x {
            was_in = false;
            continue;
        }
        let flow = flow_at(voxel);
        if flow.coloured < 0.5 {
            was_in = false;
            continue;
        }
        if !was_in {
            shade = shade_at(point);
            was_in = true;
        }
        let size = textureDimensions(velocity_colours).x;
        let index = min(u32(cycle_share(flow, view.flow.y) * f32(size)), size - 1u);
        let colour = min(textureLoad(velocity_colours, vec2u(index, 0u), 0).rgb * shade, vec3f(1.0));
        let alpha = 1.0 - exp(-view.flow.z * step);
        seen += (1.0 - seen.a) * alpha * vec4f(colour, 1.0);
    }
    return seen;
}
