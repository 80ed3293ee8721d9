//! Frame time of all views of the viewer, without a window: `cargo bench --bench frame`.
//!
//! En face, long axis, commissural and context of a 256^3 volume are drawn as the viewer lays them
//! out, the cut turning a little every frame. Printed: the median and the 99th percentile of the
//! device's own time a frame (by its timestamps, where it has them) and of the wall clock from the
//! first command until the picture is done, at 2560 x 1440 and at 1280 x 800. Then the time to load
//! a frame of the volume.
//!
//! `WGPU_ADAPTER_NAME=llvmpipe` chooses Mesa's software adapter. An argument that is a number sets
//! the side of the volume. The layout's pictures are written to the folder named by
//! `NARROWS_FRAME_PNG`, if it is set.

use std::time::Instant;

use anyhow::Context as _;
use nalgebra::Vector3;
use narrows::gpu::{
    ContextPass, ContextView, CutPass, CutView, Device, DeviceOptions, Target, Timer, VolumeTextures,
    png_bytes, wgpu,
};
use narrows::space::{Cut, Grid, direction};
use narrows::unit::{MetresPerSecond, Mm, Seconds};
use narrows::volume::{Channel, PowerScale, Provenance, Samples, Scale, Timeline, VelocityScale, Volume4};

/// A picture's place on the screen: x, y, width, height
type Place = [u32; 4];

/// A screen: its size, the places of the three cuts, the place of the context, steps of its rays
struct Screen {
    size: [u32; 2],
    cuts: [Place; 3],
    context: Place,
    steps: u32,
}

fn screens(software: bool) -> [Screen; 2] {
    let steps = if software { 48 } else { 96 };
    [
        Screen {
            size: [2560, 1440],
            cuts: [[90, 40, 1180, 1120], [1290, 40, 420, 760], [1860, 40, 330, 760]],
            context: [940, 850, 320, 300],
            steps,
        },
        Screen {
            size: [1280, 800],
            cuts: [[60, 30, 560, 560], [630, 30, 210, 380], [910, 30, 150, 380]],
            context: [460, 430, 150, 150],
            steps,
        },
    ]
}

fn main() -> anyhow::Result<()> {
    let side = std::env::args().skip(1).find_map(|word| word.parse().ok()).unwrap_or(256usize).clamp(8, 1024);
    let gpu = Device::headless(DeviceOptions::default())?;
    println!("device: {}", gpu.words());
    for missing in gpu.missing() {
        println!("  {missing}");
    }
    let (volume, cut) = volume(side)?;

    let mut textures = VolumeTextures::new(&gpu, &volume, 2)?;
    let start = Instant::now();
    textures.show(&gpu, &volume, 0)?;
    gpu.wait()?;
    println!(
        "load a frame of {side}^3: {:.1} ms, {:.1} MB on the device",
        start.elapsed().as_secs_f64() * 1e3,
        textures.bytes() as f64 / 1e6
    );

    let mut cuts = CutPass::new(&gpu, Target::COLOURS)?;
    let mut context = ContextPass::new(&gpu, Target::COLOURS)?;
    let timer = Timer::new(&gpu);
    let parts = [
        ("all views", [true; 2]),
        ("the three cuts alone", [true, false]),
        ("the context alone", [false, true]),
    ];
    for (screen, (name, [with_cuts, with_context])) in
        screens(gpu.is_software()).iter().flat_map(|screen| parts.map(|part| (screen, part)))
    {
        let frames = if gpu.is_software() { 40 } else { 1000 };
        let mut device_ms = Vec::new();
        let mut wall_ms = Vec::new();
        let mut processor = None;
        let target = Target::new(&gpu, screen.size[0], screen.size[1])?;
        for frame in 0..frames + 5 {
            let turned = cut.tilted(0.3 * libm::sin(0.07 * f64::from(frame)), 0.05 * f64::from(frame));
            let start = Instant::now();
            let shown = textures.show(&gpu, &volume, 0)?;
            let planes = [turned, long_axis(&turned, 0.0), long_axis(&turned, std::f64::consts::FRAC_PI_2)];
            for (slot, (plane, place)) in planes.into_iter().zip(screen.cuts).enumerate() {
                let pixel = Mm::new(30.0 / f64::from(place[3]));
                let mut view = CutView::new(plane, [place[2], place[3]], pixel);
                view.flow.gain = 0.2;
                view.flow.priority = 0.8;
                cuts.prepare(&gpu, slot, &volume, &view);
            }
            let [_, _, width, height] = screen.context;
            let mut view = ContextView::new(turned, Mm::new(18.0), [width, height]);
            view.steps = screen.steps;
            context.prepare(&gpu, &volume, &view);

            let mut encoder = gpu.device.create_command_encoder(&wgpu::CommandEncoderDescriptor::default());
            if let Some(timer) = &timer {
                timer.begin(&mut encoder);
            }
            {
                let mut pass = target.pass(&mut encoder, None);
                for (slot, place) in screen.cuts.into_iter().enumerate().filter(|_| with_cuts) {
                    set_viewport(&mut pass, place);
                    cuts.paint(&mut pass, slot, shown);
                }
                if with_context {
                    set_viewport(&mut pass, screen.context);
                    context.paint(&mut pass, shown);
                }
            }
            if let Some(timer) = &timer {
                timer.end(&mut encoder);
            }
            gpu.queue.submit([encoder.finish()]);
            gpu.wait()?;
            let wall = start.elapsed().as_secs_f64() * 1e3;
            let device = timer.as_ref().map(|timer| timer.elapsed(&gpu)).transpose()?;
            // The first frames warm up.
            if frame == 4 {
                processor = processor_seconds();
            }
            if frame >= 5 {
                wall_ms.push(wall);
                device_ms.extend(device.map(|time| time.get() * 1e3));
            }
        }
        let [width, height] = screen.size;
        println!("{name} at {width} x {height}, {frames} frames:");
        print_times("device time", &mut device_ms);
        print_times("wall clock", &mut wall_ms);
        let mean = wall_ms.iter().sum::<f64>() / wall_ms.len() as f64;
        println!("  frames a second: {:.1}", 1e3 / mean);
        if let (Some(before), Some(after)) = (processor, processor_seconds()) {
            println!("  processor time: mean {:.2} ms", (after - before) * 1e3 / f64::from(frames));
        }
        if !(with_cuts && with_context) {
            continue;
        }
        if let Some(folder) = std::env::var_os("NARROWS_FRAME_PNG") {
            let path = std::path::Path::new(&folder).join(format!("frame-{width}x{height}.png"));
            std::fs::write(&path, png_bytes(&target.read(&gpu)?)?)
                .with_context(|| format!("writing {}", path.display()))?;
        }
    }

    if let Some(error) = gpu.take_errors().into_iter().next() {
        anyhow::bail!("the device reported: {error}");
    }
    Ok(())
}

/// Processor time of this process so far, all threads; a software adapter's work is in it. `None`
/// where the system does not tell
fn processor_seconds() -> Option<f64> {
    let line = std::fs::read_to_string("/proc/self/stat").ok()?;
    // After the name in brackets: the 14th and 15th fields of proc(5), in hundredths of a second.
    let mut fields = line.rsplit_once(')')?.1.split_whitespace().skip(11);
    let ticks: f64 = fields.next()?.parse::<f64>().ok()? + fields.next()?.parse::<f64>().ok()?;
    Some(ticks / 100.0)
}

fn set_viewport(pass: &mut wgpu::RenderPass<'_>, [x, y, width, height]: Place) {
    pass.set_viewport(x as f32, y as f32, width as f32, height as f32, 0.0, 1.0);
}

/// The cut through the axis of `cut`, `roll` radians about it
fn long_axis(cut: &Cut, roll: f64) -> Cut {
    let rolled = cut.rolled(roll);
    Cut::new(cut.centre(), rolled.v(), rolled.u().into_inner())
}

fn print_times(what: &str, times: &mut [f64]) {
    if times.is_empty() {
        println!("  {what}: not there");
        return;
    }
    times.sort_by(f64::total_cmp);
    let at = |share: f64| times[((times.len() - 1) as f64 * share).round() as usize];
    println!("  {what}: median {:.3} ms, 99th percentile {:.3} ms", at(0.5), at(0.99));
}

/// A volume of `side`^3 voxels over 60 mm: walls of tissue, a jet along an oblique axis that spreads
/// downstream and wraps, and the cut perpendicular to it at its neck
fn volume(side: usize) -> anyhow::Result<(Volume4, Cut)> {
    let spacing = 60.0 / side as f64;
    let grid = Grid::axis_aligned([side; 3], [spacing; 3], [0.0; 3])?;
    let axis = direction(Vector3::new(0.25, -0.2, 0.9)).context("an axis")?;
    let neck = grid.middle();
    let scale = VelocityScale::full_cycle(8, 128, MetresPerSecond::new(0.6))?;
    let voxels = grid.voxels();
    let mut codes = [vec![0u8; voxels], vec![128u8; voxels], vec![0u8; voxels]];
    let [tissue, velocity, power] = &mut codes;
    let mut noise = 1u32;
    for index in 0..voxels {
        let at = [index % side, index / side % side, index / side / side].map(|i| i as f64 * spacing);
        let from = Vector3::from(at) - neck.0.coords;
        let along = axis.dot(&from);
        let off = (from - axis.into_inner() * along).norm();
        noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let speckle = f64::from(noise >> 24) / 255.0;
        let valve = (-along * along / 3.0).max(-40.0);
        let wall = libm::exp(valve) * f64::from(u8::from(off > 3.5));
        tissue[index] = (25.0 * speckle + 200.0 * wall * (0.6 + 0.4 * speckle)) as u8;
        let width = if along < 0.0 { 3.0 - 0.5 * along } else { 3.0 + 0.2 * along };
        let strength = libm::exp(-off * off / (width * width));
        if strength > 0.25 && along > -12.0 {
            let speed = 5.0 * strength * if along < 0.0 { 9.0 / (9.0 + along * along) } else { 1.0 };
            velocity[index] = scale.code(MetresPerSecond::new(speed + 0.25 * (speckle - 0.5) * speed)) as u8;
            power[index] = (80.0 + 170.0 * strength) as u8;
        }
    }
    let [tissue, velocity, power] = codes;
    let channel = |scale, codes| anyhow::Ok(Channel::new(scale, Samples::from_u8(codes, 1, voxels)?));
    let channels = vec![
        channel(Scale::Tissue, tissue)?,
        channel(Scale::Velocity(scale), velocity)?,
        channel(Scale::Power(PowerScale::default()), power)?,
    ];
    let timeline = Timeline::regular(1, Seconds::new(0.04))?;
    let volume = Volume4::new(grid, timeline, None, Provenance::default(), channels)?;
    Ok((volume, Cut::perpendicular_to(neck, axis)))
}
