// A picture that the processor drew, over the whole viewport. Needs corner.wgsl before it. Keep in sync with src/gpu/copy_pass.rs.

@group(0) @binding(0) var picture: texture_2d<f32>;
@group(0) @binding(1) var between: sampler;

@fragment
fn colours(corner: Corner) -> @location(0) vec4f {
    return textureSample(picture, between, corner.place);
}
