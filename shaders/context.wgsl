// The jet in three dimensions, with the cut drawn through it.
//
// Rays run through a ball about the jet, from the reader away. What is coloured and passes the gain
// glows in its velocity colour and hides what lies behind it; where a ray enters it, the slope of
// the presence gives the shade. The cut is a disc with a rim, met at its own depth.
//
// Needs corner.wgsl and volume.wgsl before it. Keep in sync with src/gpu/context.rs.

struct ContextUniform {
    // voxel in the middle of the ball
    middle: vec4f,
    // voxels per millimetre to the right, upward and toward the reader
    right: vec4f,
    upward: vec4f,
    toward: vec4f,
    // millimetres from the middle to the right and upper edge; radius of the ball; steps of a ray
    extent: vec4f,
    // gain, share of the cycle at the lowest displayed velocity, opacity a millimetre, 1 where the
    // volume has power
    flow: vec4f,
    // the cut: its normal (right, upward, toward), its distance along the normal, mm
    plane: vec4f,
    // the cut's middle (right, upward, toward), radius of its disc, mm
    disc: vec4f,
    // colour of the cut
    rim: vec4f,
    // colour where coherence is lost
    quiet: vec4f,
}

@group(1) @binding(0) var<uniform> view: ContextUniform;
@group(1) @binding(1) var velocity_colours: texture_2d<f32>;

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
    return 0.60 + 0.55 * max(dot(normal, vec3f(-0.41, 0.57, 0.71)), 0.0);
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
    // Along the ray: millimetres from where it enters the ball, at most `through`.
    let near = sqrt(room);
    let through = 2.0 * near;
    let step = 2.0 * view.extent.z / view.extent.w;
    let start = voxel_at(vec3f(across, up, near));
    let along = -view.toward.xyz;

    // Where the ray is inside the volume.
    let last = volume_shape() - 1.0;
    let slope = select(along, vec3f(1e-6), abs(along) < vec3f(1e-6));
    let to_low = -start / slope;
    let to_high = (last - start) / slope;
    let enters = min(to_low, to_high);
    let leaves = max(to_low, to_high);
    let first = max(max(max(enters.x, enters.y), enters.z), 0.0);
    let end = min(min(min(leaves.x, leaves.y), leaves.z), through);

    // Where it meets the cut.
    var meets = -1.0;
    if abs(view.plane.z) > 1e-4 {
        meets = near - (view.plane.w - view.plane.x * across - view.plane.y * up) / view.plane.z;
    }
    var disc = vec4f(0.0);
    if meets >= 0.0 && meets <= through {
        disc = disc_colour(vec3f(across, up, near - meets));
    }

    // The loop holds as little as can be: software adapters run every branch of it for every ray.
    // The shade is that of the place where the ray first enters, found afterwards.
    let colours = textureDimensions(velocity_colours).x;
    let kept = exp(-view.flow.z * step);
    let least = view.flow.x * view.flow.w;
    var jet = vec3f(0.0);
    var clear = 1.0;
    var disc_clear = -1.0;
    var entered = -1.0;
    var at = ceil(first / step) * step;
    // A step or a brick at a time; the bound only says to the compiler that it ends.
    for (var i = 0; i < 4096; i++) {
        if at > end || clear < 0.03 {
            break;
        }
        if disc_clear < 0.0 && at >= meets {
            disc_clear = clear;
            clear *= 1.0 - disc.a;
        }
        let voxel = start + along * at;
        let brick = floor(voxel / BRICK);
        let loudest = textureLoad(brick_texture, vec3i(brick), 0).r;
        if loudest <= 0.0 || loudest < least {
            // To the first step beyond the brick.
            let edge = (brick + select(vec3f(0.0), vec3f(1.0), slope > vec3f(0.0))) * BRICK;
            let out = (edge - voxel) / slope;
            at += (floor(max(min(min(out.x, out.y), out.z), 0.0) / step) + 1.0) * step;
            continue;
        }
        let flow = flow_at(voxel);
        if flow.coloured >= 0.5 && flow.power >= least {
            entered = select(entered, at, entered < 0.0);
            let index = min(u32(cycle_share(flow, view.flow.y) * f32(colours)), colours - 1u);
            let tint = textureLoad(velocity_colours, vec2u(index, 0u), 0).rgb;
            // Where coherence is lost hue means nothing: one quiet tone instead of confetti.
            let quiet = smoothstep(0.1, 0.5, 1.0 - coherence(flow));
            jet += clear * (1.0 - kept) * mix(tint, view.quiet.rgb, quiet);
            clear *= kept;
        }
        at += step;
    }
    if entered >= 0.0 {
        // Where it entered, more exactly, so that the shade does not follow the steps.
        var outer = entered - step;
        var inner = entered;
        for (var halving = 0; halving < 4; halving++) {
            let middle = 0.5 * (outer + inner);
            if flow_at(start + along * middle).coloured < 0.5 {
                outer = middle;
            } else {
                inner = middle;
            }
        }
        jet *= shade_at(vec3f(across, up, near - inner));
    }
    if disc_clear < 0.0 {
        disc_clear = clear;
        clear *= 1.0 - disc.a;
    }
    return vec4f(min(jet + disc_clear * disc.rgb, vec3f(1.0)), 1.0 - clear);
}
