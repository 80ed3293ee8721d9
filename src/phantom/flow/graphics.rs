//! The lattice on a graphics processor: `shaders/flow.wgsl`, half floats, whatever adapter there is.

use std::time::Duration;

use wgpu::util::DeviceExt as _;

use super::lattice::{Lattice, NOISE, SMAGORINSKY, SUMS};
use super::solve::FlowSolveError;

/// Steps handed to the device at once
const BATCH: usize = 32;
/// A device that has not answered by then never will; what it is given at once takes about a second
const ANSWERS_WITHIN: Duration = Duration::from_mins(2);

/// Keep in sync with `Flow` of `shaders/flow.wgsl`
#[repr(C)]
#[derive(Clone, Copy, bytemuck::Pod, bytemuck::Zeroable)]
struct FlowUniform {
    cells: [u32; 3],
    step: u32,
    first: [u32; 3],
    ratio: u32,
    stored: [u32; 3],
    samples: u32,
    inflow: f32,
    noise: f32,
    relaxation: f32,
    smagorinsky: f32,
    sponge: f32,
    rho: f32,
    spare: [u32; 2],
}

const _: () = assert!(size_of::<FlowUniform>() == 5 * 16);

impl FlowUniform {
    fn of(lattice: &Lattice) -> Self {
        let narrow = |n: [usize; 3]| n.map(|n| n as u32);
        Self {
            cells: narrow(lattice.cells),
            step: 0,
            first: narrow(lattice.first),
            ratio: lattice.ratio as u32,
            stored: narrow(lattice.stored),
            samples: 0,
            inflow: lattice.inflow,
            noise: NOISE,
            relaxation: lattice.relaxation,
            smagorinsky: SMAGORINSKY,
            sponge: lattice.sponge,
            rho: 0.0,
            spare: [0; 2],
        }
    }
}

/// A flow on a device
pub(super) struct Graphics {
    device: wgpu::Device,
    queue: wgpu::Queue,
    advance: wgpu::ComputePipeline,
    gather: wgpu::ComputePipeline,
    groups: [wgpu::BindGroup; 2],
    uniform: wgpu::Buffer,
    sums: wgpu::Buffer,
    contents: FlowUniform,
    /// Name of the adapter
    pub(super) adapter: String,
}

/// The adapters there are, hardware first
pub(super) fn adapters() -> Vec<wgpu::Adapter> {
    let instance = wgpu::Instance::new(wgpu::InstanceDescriptor::new_without_display_handle());
    let mut found = pollster::block_on(instance.enumerate_adapters(wgpu::Backends::PRIMARY));
    found.retain(|adapter| {
        adapter.get_downlevel_capabilities().flags.contains(wgpu::DownlevelFlags::COMPUTE_SHADERS)
    });
    found.sort_by_key(|adapter| match adapter.get_info().device_type {
        wgpu::DeviceType::DiscreteGpu => 0,
        wgpu::DeviceType::IntegratedGpu => 1,
        wgpu::DeviceType::VirtualGpu => 2,
        wgpu::DeviceType::Other => 3,
        wgpu::DeviceType::Cpu => 4,
    });
    found
}

/// The adapters that are not software
pub(super) fn hardware() -> Vec<wgpu::Adapter> {
    let mut found = adapters();
    found.retain(|adapter| adapter.get_info().device_type != wgpu::DeviceType::Cpu);
    found
}

/// What a step is given: the uniform, the walls, the blood now and next, and the sums
fn layout(device: &wgpu::Device) -> wgpu::BindGroupLayout {
    let storage = |binding: u32, read_only: bool| wgpu::BindGroupLayoutEntry {
        binding,
        visibility: wgpu::ShaderStages::COMPUTE,
        ty: wgpu::BindingType::Buffer {
            ty: wgpu::BufferBindingType::Storage { read_only },
            has_dynamic_offset: false,
            min_binding_size: None,
        },
        count: None,
    };
    let uniform_entry = wgpu::BindGroupLayoutEntry {
        ty: wgpu::BindingType::Buffer {
            ty: wgpu::BufferBindingType::Uniform,
            has_dynamic_offset: false,
            min_binding_size: None,
        },
        ..storage(0, true)
    };
    device.create_bind_group_layout(&wgpu::BindGroupLayoutDescriptor {
        label: Some("flow"),
        entries: &[uniform_entry, storage(1, true), storage(2, true), storage(3, false), storage(4, false)],
    })
}

impl Graphics {
    /// # Errors
    /// [`FlowSolveError::Graphics`] where the adapter cannot hold the flow or refuses it.
    pub(super) fn new(lattice: &Lattice, adapter: &wgpu::Adapter) -> Result<Self, FlowSolveError> {
        let refused = |reason: String| FlowSolveError::Graphics { adapter: adapter.get_info().name, reason };
        let limits = adapter.limits();
        let words = 4 * 10 * lattice.count() as u64;
        if words > limits.max_storage_buffer_binding_size || words > limits.max_buffer_size {
            return Err(refused(format!("it holds no buffer of {} MB", words >> 20)));
        }
        let wanted = wgpu::DeviceDescriptor {
            label: Some("flow"),
            required_limits: limits,
            memory_hints: wgpu::MemoryHints::Performance,
            ..wgpu::DeviceDescriptor::default()
        };
        let (device, queue) = pollster::block_on(adapter.request_device(&wanted))
            .map_err(|error| refused(error.to_string()))?;
        let shader = device.create_shader_module(wgpu::ShaderModuleDescriptor {
            label: Some("flow"),
            source: wgpu::ShaderSource::Wgsl(include_str!("../../../shaders/flow.wgsl").into()),
        });
        let layout = layout(&device);
        let pipelines = device.create_pipeline_layout(&wgpu::PipelineLayoutDescriptor {
            label: Some("flow"),
            bind_group_layouts: &[Some(&layout)],
            immediate_size: 0,
        });
        let pipeline = |entry: &str| {
            device.create_compute_pipeline(&wgpu::ComputePipelineDescriptor {
                label: Some(entry),
                layout: Some(&pipelines),
                module: &shader,
                entry_point: Some(entry),
                compilation_options: wgpu::PipelineCompilationOptions::default(),
                cache: None,
            })
        };
        let contents = FlowUniform::of(lattice);
        let filled = |label, bytes: &[u8], usage| {
            device.create_buffer_init(&wgpu::util::BufferInitDescriptor {
                label: Some(label),
                contents: bytes,
                usage,
            })
        };
        let uniform = filled(
            "flow uniform",
            bytemuck::bytes_of(&contents),
            wgpu::BufferUsages::UNIFORM | wgpu::BufferUsages::COPY_DST,
        );
        let distance =
            filled("flow walls", bytemuck::cast_slice(&lattice.distance), wgpu::BufferUsages::STORAGE);
        // New buffers are zeros, which is blood at rest.
        let empty = |label, size: u64| {
            device.create_buffer(&wgpu::BufferDescriptor {
                label: Some(label),
                size,
                usage: wgpu::BufferUsages::STORAGE | wgpu::BufferUsages::COPY_SRC,
                mapped_at_creation: false,
            })
        };
        let halves = [empty("flow now", words), empty("flow next", words)];
        let sums = empty("flow sums", 4 * (SUMS * lattice.stored_count()) as u64);
        let group = |from: usize| {
            let buffers = [&uniform, &distance, &halves[from], &halves[1 - from], &sums];
            let entries: Vec<_> = buffers
                .iter()
                .enumerate()
                .map(|(binding, buffer)| wgpu::BindGroupEntry {
                    binding: binding as u32,
                    resource: buffer.as_entire_binding(),
                })
                .collect();
            device.create_bind_group(&wgpu::BindGroupDescriptor {
                label: Some("flow"),
                layout: &layout,
                entries: &entries,
            })
        };
        Ok(Self {
            advance: pipeline("advance"),
            gather: pipeline("gather"),
            groups: [group(0), group(1)],
            adapter: adapter.get_info().name,
            device,
            queue,
            uniform,
            sums,
            contents,
        })
    }

    /// So many steps; the blood is averaged every `every` of them, counted from the beginning, or never
    ///
    /// # Errors
    /// [`FlowSolveError::Graphics`] where the device fails.
    pub(super) fn advance(&mut self, steps: usize, every: Option<usize>) -> Result<usize, FlowSolveError> {
        let mut samples = 0;
        let mut left = steps;
        while left > 0 {
            // The noise of the inflow changes every 64 steps; a batch never crosses that.
            let batch = left.min(BATCH - self.contents.step as usize % BATCH);
            self.queue.write_buffer(&self.uniform, 0, bytemuck::bytes_of(&self.contents));
            let mut encoder = self.device.create_command_encoder(&wgpu::CommandEncoderDescriptor::default());
            {
                let mut pass = encoder.begin_compute_pass(&wgpu::ComputePassDescriptor::default());
                for _ in 0..batch {
                    let group = &self.groups[self.contents.step as usize % 2];
                    let [x, y, z] = self.contents.cells;
                    pass.set_bind_group(0, group, &[]);
                    if every.is_some_and(|every| (self.contents.step as usize).is_multiple_of(every)) {
                        let [sx, sy, sz] = self.contents.stored;
                        pass.set_pipeline(&self.gather);
                        pass.dispatch_workgroups(sx.div_ceil(64), sy, sz);
                        samples += 1;
                    }
                    pass.set_pipeline(&self.advance);
                    pass.dispatch_workgroups(x.div_ceil(64), y, z);
                    self.contents.step += 1;
                }
            }
            self.queue.submit([encoder.finish()]);
            left -= batch;
        }
        self.wait()?;
        Ok(samples)
    }

    fn wait(&self) -> Result<(), FlowSolveError> {
        let failed = |reason: String| FlowSolveError::Graphics { adapter: self.adapter.clone(), reason };
        let wait = wgpu::PollType::Wait { submission_index: None, timeout: Some(ANSWERS_WITHIN) };
        let polled = self.device.poll(wait);
        polled.map(|_| ()).map_err(|error| failed(error.to_string()))
    }

    /// The sums of all samples so far, `[value][stored cell]`
    ///
    /// # Errors
    /// [`FlowSolveError::Graphics`] where the device fails.
    pub(super) fn sums(&self) -> Result<Vec<f32>, FlowSolveError> {
        let failed = |reason: String| FlowSolveError::Graphics { adapter: self.adapter.clone(), reason };
        let size = self.sums.size();
        let back = self.device.create_buffer(&wgpu::BufferDescriptor {
            label: Some("flow back"),
            size,
            usage: wgpu::BufferUsages::MAP_READ | wgpu::BufferUsages::COPY_DST,
            mapped_at_creation: false,
        });
        let mut encoder = self.device.create_command_encoder(&wgpu::CommandEncoderDescriptor::default());
        encoder.copy_buffer_to_buffer(&self.sums, 0, &back, 0, size);
        self.queue.submit([encoder.finish()]);
        let (tell, hear) = std::sync::mpsc::sync_channel(1);
        back.slice(..).map_async(wgpu::MapMode::Read, move |result| {
            let _ = tell.send(result);
        });
        self.wait()?;
        hear.recv().map_err(|e| failed(e.to_string()))?.map_err(|e| failed(e.to_string()))?;
        let view = back.get_mapped_range(..).map_err(|e| failed(e.to_string()))?;
        Ok(bytemuck::cast_slice(&view).to_vec())
    }
}
