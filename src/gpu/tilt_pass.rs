//! The tilt map on the graphics device: the twin of [`super::tilt_areas`].
//!
//! A map is started and asked for later, so that a window need not wait for it.

use crate::unit::Mm2;
use crate::volume::{ChannelKind, Volume4};

use super::cut_pass::{uniform_buffer, vector};
use super::shader;
use super::textures::{FrameTextures, tier_constants, volume_layout};
use super::tilt::{TiltDisc, TiltField, TiltView};
use super::{Device, GpuError, Tier, wgpu};

/// Structs the shader reads; keep in sync with `shaders/tilt.wgsl`
mod gpu_data {
    /// `TiltUniform` of `shaders/tilt.wgsl`
    #[repr(C)]
    #[derive(Clone, Copy, bytemuck::Pod, bytemuck::Zeroable)]
    pub(super) struct TiltUniform {
        pub(super) middle: [f32; 4],
        pub(super) look: [f32; 4],
        pub(super) counts: [u32; 4],
    }

    /// `Axes` of `shaders/tilt.wgsl`
    #[repr(C)]
    #[derive(Clone, Copy, bytemuck::Pod, bytemuck::Zeroable)]
    pub(super) struct Axes {
        pub(super) u: [f32; 4],
        pub(super) v: [f32; 4],
    }

    const _: () = assert!(size_of::<TiltUniform>() == 3 * 16 && size_of::<Axes>() == 2 * 16);
}

/// Makes tilt maps on the device
pub struct TiltPass {
    pipeline: wgpu::ComputePipeline,
    layout: wgpu::BindGroupLayout,
}

/// A map on its way
pub struct TiltJob {
    buffer: wgpu::Buffer,
    done: std::sync::mpsc::Receiver<Result<(), wgpu::BufferAsyncError>>,
}

impl TiltPass {
    /// A pass; `None` on the plain tier, where [`super::tilt_areas`] does the work
    ///
    /// # Errors
    /// [`GpuError::Failed`] where the device refuses the shader.
    pub fn new(gpu: &Device) -> Result<Option<Self>, GpuError> {
        if gpu.tier() == Tier::Plain {
            return Ok(None);
        }
        let buffer = |binding, ty| wgpu::BindGroupLayoutEntry {
            binding,
            visibility: wgpu::ShaderStages::COMPUTE,
            ty: wgpu::BindingType::Buffer { ty, has_dynamic_offset: false, min_binding_size: None },
            count: None,
        };
        let layout = gpu.device.create_bind_group_layout(&wgpu::BindGroupLayoutDescriptor {
            label: Some("tilt map"),
            entries: &[
                buffer(0, wgpu::BufferBindingType::Uniform),
                buffer(1, wgpu::BufferBindingType::Storage { read_only: true }),
                buffer(2, wgpu::BufferBindingType::Storage { read_only: false }),
            ],
        });
        let pipeline_layout = gpu.device.create_pipeline_layout(&wgpu::PipelineLayoutDescriptor {
            label: Some("tilt map"),
            bind_group_layouts: &[Some(&volume_layout(gpu)), Some(&layout)],
            immediate_size: 0,
        });
        let pipeline = gpu.device.create_compute_pipeline(&wgpu::ComputePipelineDescriptor {
            label: Some("tilt map"),
            layout: Some(&pipeline_layout),
            module: &shader::TILT.module(&gpu.device),
            entry_point: Some("measure"),
            compilation_options: wgpu::PipelineCompilationOptions {
                constants: &tier_constants(gpu),
                ..Default::default()
            },
            cache: None,
        });
        gpu.check("preparing to make tilt maps")?;
        Ok(Some(Self { pipeline, layout }))
    }

    /// Starts a map of the frame; `None` where the volume lacks the channel or there is no direction
    ///
    /// # Errors
    /// [`GpuError::Failed`].
    pub fn start(
        &self,
        gpu: &Device,
        volume: &Volume4,
        frame: &FrameTextures,
        view: &TiltView,
        disc: &TiltDisc,
    ) -> Result<Option<TiltJob>, GpuError> {
        let power = match view.field {
            TiltField::Power => ChannelKind::Power,
            TiltField::Presence => ChannelKind::Velocity,
        };
        let most = gpu.device.limits().max_compute_workgroups_per_dimension as usize;
        let count = disc.directions.len().min(most);
        if volume.channel(power).is_none() || count == 0 {
            return Ok(None);
        }
        let axes: Vec<gpu_data::Axes> = disc.directions[..count]
            .iter()
            .map(|&(tilt, toward)| {
                let cut = view.cut.tilted(tilt, toward);
                let voxels =
                    |axis: crate::space::Direction| vector(volume.grid.voxel_from_vector(axis.into_inner()));
                gpu_data::Axes { u: voxels(cut.u()), v: voxels(cut.v()) }
            })
            .collect();
        let data = gpu_data::TiltUniform {
            middle: vector(volume.grid.voxel_from_volume(view.cut.centre()).0.coords),
            look: [
                view.level as f32,
                view.reach.get() as f32,
                f32::from(u8::from(view.field == TiltField::Power)),
                0.0,
            ],
            counts: [view.rays.clamp(1, 4096) as u32, view.steps.clamp(1, 4096) as u32, 0, 0],
        };
        let uniform = uniform_buffer(gpu, "tilt map", size_of::<gpu_data::TiltUniform>());
        gpu.queue.write_buffer(&uniform, 0, bytemuck::bytes_of(&data));
        let buffer = |label, size: usize, usage| {
            gpu.device.create_buffer(&wgpu::BufferDescriptor {
                label: Some(label),
                size: size as u64,
                usage,
                mapped_at_creation: false,
            })
        };
        let bytes: &[u8] = bytemuck::cast_slice(&axes);
        let storage = wgpu::BufferUsages::STORAGE;
        let directions = buffer("tilt directions", bytes.len(), storage | wgpu::BufferUsages::COPY_DST);
        gpu.queue.write_buffer(&directions, 0, bytes);
        let areas = buffer("tilt areas", count * 4, storage | wgpu::BufferUsages::COPY_SRC);
        let read = buffer(
            "tilt areas, read back",
            count * 4,
            wgpu::BufferUsages::COPY_DST | wgpu::BufferUsages::MAP_READ,
        );
        let group = gpu.device.create_bind_group(&wgpu::BindGroupDescriptor {
            label: Some("tilt map"),
            layout: &self.layout,
            entries: &[
                wgpu::BindGroupEntry { binding: 0, resource: uniform.as_entire_binding() },
                wgpu::BindGroupEntry { binding: 1, resource: directions.as_entire_binding() },
                wgpu::BindGroupEntry { binding: 2, resource: areas.as_entire_binding() },
            ],
        });
        let mut encoder = gpu.device.create_command_encoder(&wgpu::CommandEncoderDescriptor::default());
        {
            let mut pass = encoder.begin_compute_pass(&wgpu::ComputePassDescriptor::default());
            pass.set_pipeline(&self.pipeline);
            pass.set_bind_group(0, frame.group(), &[]);
            pass.set_bind_group(1, &group, &[]);
            pass.dispatch_workgroups(count as u32, 1, 1);
        }
        encoder.copy_buffer_to_buffer(&areas, 0, &read, 0, (count * 4) as u64);
        gpu.queue.submit([encoder.finish()]);
        let (sender, done) = std::sync::mpsc::sync_channel(1);
        read.slice(..).map_async(wgpu::MapMode::Read, move |result| {
            // Nobody listens any more where the job was dropped.
            let _ = sender.send(result);
        });
        gpu.check("starting a tilt map")?;
        Ok(Some(TiltJob { buffer: read, done }))
    }
}

impl TiltJob {
    /// The areas if they are ready, in the order of the directions; `None` while they are not
    ///
    /// # Errors
    /// [`GpuError::Failed`] where the device was lost on the way.
    pub fn poll(&self, gpu: &Device) -> Result<Option<Vec<Mm2>>, GpuError> {
        let failed = |reason: String| GpuError::Failed { doing: "making a tilt map", reason };
        gpu.device.poll(wgpu::PollType::Poll).map_err(|error| failed(error.to_string()))?;
        match self.done.try_recv() {
            Ok(Ok(())) => {}
            Ok(Err(error)) => return Err(failed(error.to_string())),
            Err(std::sync::mpsc::TryRecvError::Empty) => return Ok(None),
            Err(error) => return Err(failed(error.to_string())),
        }
        let bytes = self.buffer.get_mapped_range(..).map_err(|error| failed(error.to_string()))?;
        let areas =
            bytes.chunks_exact(4).map(|b| Mm2::new(f64::from(f32::from_le_bytes([b[0], b[1], b[2], b[3]]))));
        Ok(Some(areas.collect()))
    }

    /// Waits for the areas
    ///
    /// # Errors
    /// As [`TiltJob::poll`].
    pub fn wait(&self, gpu: &Device) -> Result<Vec<Mm2>, GpuError> {
        gpu.wait()?;
        self.poll(gpu)?.ok_or(GpuError::Failed {
            doing: "making a tilt map",
            reason: "the work ended without a result".into(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gpu::{DeviceOptions, VolumeTextures, test_volume, tilt_areas};
    use crate::unit::Mm;

    #[test]
    fn the_device_and_the_processor_make_one_map() {
        let gpu = Device::headless(DeviceOptions::default()).unwrap();
        let pass = TiltPass::new(&gpu).unwrap().expect("a device of the filtered tier");
        let disc = TiltDisc::new(0.7, 4);
        let (tube, tube_cut) = test_volume::tube(3.5);
        let full = test_volume::full();
        let full_cut = crate::space::Cut::perpendicular_to(full.grid.middle(), full.grid.axes()[2]);
        for (volume, cut) in [(tube, tube_cut), (full, full_cut)] {
            let mut textures = VolumeTextures::new(&gpu, &volume, 1).unwrap();
            let shown = textures.show(&gpu, &volume, 0).unwrap();
            for (field, level) in [(TiltField::Power, 0.4), (TiltField::Presence, 0.5)] {
                let view = TiltView::new(cut, field, level, Mm::new(8.0));
                let job = pass.start(&gpu, &volume, shown, &view, &disc).unwrap().unwrap();
                let drawn = job.wait(&gpu).unwrap();
                let plain = tilt_areas(&volume, 0, &view, &disc).unwrap();
                assert_eq!(drawn.len(), plain.len());
                for (a, b) in drawn.iter().zip(&plain) {
                    assert!(b.get() > 10.0);
                    // A sampler weighs eight-bit components in steps of about 1/256.
                    let limit = 0.01;
                    assert!((*a / *b - 1.0).abs() < limit, "{a} and {b}");
                }
            }
        }
    }

    #[test]
    fn the_plain_tier_leaves_maps_to_the_processor() {
        let gpu = Device::headless(DeviceOptions { at_most: Some(Tier::Plain) }).unwrap();
        assert!(TiltPass::new(&gpu).unwrap().is_none());
    }
}
