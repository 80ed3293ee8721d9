// What a picture is drawn over. Stands before every picture's shader.

struct Corner {
    @builtin(position) position: vec4f,
    @location(0) place: vec2f,
}

// One triangle over the whole viewport; place runs from (0, 0) at the top left to (1, 1).
@vertex
fn corner(@builtin(vertex_index) index: u32) -> Corner {
    let place = vec2f(f32((index << 1u) & 2u), f32(index & 2u));
    return Corner(vec4f(place.x * 2.0 - 1.0, 1.0 - place.y * 2.0, 0.0, 1.0), place);
}
