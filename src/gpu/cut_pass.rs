//! Draws cuts on the graphics device: the twin of [`super::cut_picture`].
//!
//! A window shows several cuts at once, so the pass keeps a row of numbered slots. A slot is
//! prepared (its uniform written) before the render pass and painted inside it, filling whatever
//! viewport is set there: the two steps of a window's paint callback.

use crate::numeric::Image;
use crate::volume::{ChannelKind, Volume4};

use super::colour::{ColourMap, VelocityLut};
use super::shader;
use super::target::Target;
use super::textures::{FrameTextures, tier_constants, volume_layout};
use super::view::{CutView, INCOHERENT, OUTSIDE};
use super::{Device, GpuError, wgpu};

/// Structs the shader reads; keep in sync with `shaders/cut.wgsl`
mod gpu_data {
    /// `CutUniform` of `shaders/cut.wgsl`
    #[repr(C)]
    #[derive(Clone, Copy, bytemuck::Pod, bytemuck::Zeroable)]
    pub(super) struct CutUniform {
        pub(super) middle: [f32; 4],
        pub(super) across: [f32; 4],
        pub(super) upward: [f32; 4],
        pub(super) tissue: [f32; 4],
        pub(super) flow: [f32; 4],
        pub(super) outside: [f32; 4],
        pub(super) incoherent: [f32; 4],
        pub(super) has: [f32; 4],
    }

    const _: () = assert!(size_of::<CutUniform>() == 8 * 16);
}

/// Draws cuts through a volume
pub struct CutPass {
    colours: wgpu::RenderPipeline,
    numbers: wgpu::RenderPipeline,
    slot_layout: wgpu::BindGroupLayout,
    slots: Vec<Option<Slot>>,
}

struct Slot {
    uniform: wgpu::Buffer,
    lut: Lut,
    group: wgpu::BindGroup,
}

impl CutPass {
    /// A pass that draws into targets of `format`, which must hold sRGB bytes as they are (no
    /// `...Srgb` format, which would encode them again)
    ///
    /// # Errors
    /// [`GpuError::Failed`] where the device refuses the shader.
    pub fn new(gpu: &Device, format: wgpu::TextureFormat) -> Result<Self, GpuError> {
        let slot_layout = slot_layout(gpu, "cut");
        let pipeline = |entry, format| {
            picture_pipeline(gpu, &shader::CUT, &[&volume_layout(gpu), &slot_layout], entry, format, None)
        };
        let colours = pipeline("colours", format);
        let numbers = pipeline("numbers", Target::NUMBERS);
        gpu.check("preparing to draw cuts")?;
        Ok(Self { colours, numbers, slot_layout, slots: Vec::new() })
    }

    /// Readies a slot to paint a view of a volume; slots are numbered from 0 by the caller, who has
    /// 15 of them (the next is kept for pictures without a window)
    pub fn prepare(&mut self, gpu: &Device, slot: usize, volume: &Volume4, view: &CutView) {
        if self.slots.len() <= slot {
            self.slots.resize_with(slot + 1, || None);
        }
        let slot_layout = &self.slot_layout;
        let ready = self.slots[slot].get_or_insert_with(|| {
            let uniform = uniform_buffer(gpu, "cut", size_of::<gpu_data::CutUniform>());
            let lut = Lut::new(gpu);
            let group = slot_group(gpu, "cut", slot_layout, &uniform, &lut);
            Slot { uniform, lut, group }
        });
        ready.lut.write(gpu, view.flow.map, volume);
        gpu.queue.write_buffer(&ready.uniform, 0, bytemuck::bytes_of(&uniform(volume, view)));
    }

    /// Paints a prepared slot into the viewport set in the pass; a slot never prepared paints nothing
    pub fn paint(&self, pass: &mut wgpu::RenderPass<'_>, slot: usize, frame: &FrameTextures) {
        self.paint_with(pass, slot, frame, &self.colours);
    }

    fn paint_with(
        &self,
        pass: &mut wgpu::RenderPass<'_>,
        slot: usize,
        frame: &FrameTextures,
        pipeline: &wgpu::RenderPipeline,
    ) {
        let Some(Some(ready)) = self.slots.get(slot) else { return };
        pass.set_pipeline(pipeline);
        pass.set_bind_group(0, frame.group(), &[]);
        pass.set_bind_group(1, &ready.group, &[]);
        pass.draw(0..3, 0..1);
    }

    /// The picture of a view without a window; the pass must have been made for [`Target::COLOURS`]
    ///
    /// # Errors
    /// As [`Target`].
    pub fn picture(
        &mut self,
        gpu: &Device,
        volume: &Volume4,
        frame: &FrameTextures,
        view: &CutView,
    ) -> Result<Image<[u8; 4]>, GpuError> {
        let target = Target::new(gpu, view.size_px[0], view.size_px[1])?;
        self.prepare(gpu, SPARE, volume, view);
        target.draw(gpu, |pass| self.paint(pass, SPARE, frame))?;
        target.read(gpu)
    }

    /// What the picture is made of, as numbers: share of the velocity's cycle above the lowest
    /// displayed velocity, coherence, presence, tissue in shares of its range; -1 outside
    ///
    /// # Errors
    /// As [`Target`].
    pub fn numbers(
        &mut self,
        gpu: &Device,
        volume: &Volume4,
        frame: &FrameTextures,
        view: &CutView,
    ) -> Result<Image<[f32; 4]>, GpuError> {
        let target = Target::of(gpu, view.size_px[0], view.size_px[1], Target::NUMBERS)?;
        self.prepare(gpu, SPARE, volume, view);
        target.draw(gpu, |pass| self.paint_with(pass, SPARE, frame, &self.numbers))?;
        target.read_numbers(gpu)
    }
}

/// The slot kept for pictures without a window; windows count theirs from 0
const SPARE: usize = 15;

fn uniform(volume: &Volume4, view: &CutView) -> gpu_data::CutUniform {
    let [width, height] = view.size_px.map(f64::from);
    let pixel = view.pixel.get();
    let middle = volume.grid.voxel_from_volume(view.cut.at(view.middle)).0;
    let across = volume.grid.voxel_from_vector(view.cut.u().into_inner() * (width * pixel));
    let upward = volume.grid.voxel_from_vector(view.cut.v().into_inner() * (height * pixel));
    let window = view.tissue;
    let has = |kind| f32::from(u8::from(volume.channel(kind).is_some()));
    gpu_data::CutUniform {
        middle: vector(middle.coords),
        across: vector(across),
        upward: vector(upward),
        tissue: [
            window.low,
            1.0 / (window.high - window.low).max(1e-3),
            window.gamma.max(0.05),
            view.flow.opacity.clamp(0.0, 1.0),
        ],
        flow: [
            view.flow.gain,
            view.flow.priority,
            lowest_share(volume),
            view.flow.incoherence.clamp(0.0, 1.0),
        ],
        outside: colour(OUTSIDE),
        incoherent: colour(INCOHERENT),
        has: [has(ChannelKind::Velocity), has(ChannelKind::Power), 0.0, 0.0],
    }
}

/// The share of the cycle at the lowest displayed velocity, counted from rest
pub(super) fn lowest_share(volume: &Volume4) -> f32 {
    volume.velocity_scale().map_or(0.0, |scale| (scale.limits().0 / scale.nyquist() / 2.0) as f32)
}

/// Three components and a zero, for a shader
pub(super) fn vector(v: nalgebra::Vector3<f64>) -> [f32; 4] {
    [v.x as f32, v.y as f32, v.z as f32, 0.0]
}

/// An sRGB colour in shares, opaque, for a shader
pub(super) fn colour([r, g, b]: [u8; 3]) -> [f32; 4] {
    [r, g, b, 255].map(|byte| f32::from(byte) / 255.0)
}

/// A velocity ring on the device, written again only when it changes
pub(super) struct Lut {
    texture: wgpu::Texture,
    view: wgpu::TextureView,
    written: Option<VelocityLut>,
    asked: Option<(ColourMap, crate::volume::VelocityScale)>,
}

impl Lut {
    pub(super) fn new(gpu: &Device) -> Self {
        let size = wgpu::Extent3d { width: super::LUT_COLOURS as u32, ..wgpu::Extent3d::default() };
        let texture = colours_texture(gpu, "velocity colours", size);
        let view = texture.create_view(&wgpu::TextureViewDescriptor::default());
        Self { texture, view, written: None, asked: None }
    }

    pub(super) fn write(&mut self, gpu: &Device, map: ColourMap, volume: &Volume4) {
        let Some(scale) = volume.velocity_scale() else { return };
        let asked = (map, scale);
        if self.asked == Some(asked) {
            return;
        }
        self.asked = Some(asked);
        let lut = VelocityLut::new(map, &scale);
        if self.written.as_ref() == Some(&lut) {
            return;
        }
        let bytes: Vec<u8> = lut.colours().iter().flat_map(|[r, g, b]| [*r, *g, *b, 255]).collect();
        write_colours(gpu, &self.texture, &bytes);
        self.written = Some(lut);
    }
}

/// A texture of colours, sRGB bytes as they are, to be written and read by a shader
pub(super) fn colours_texture(gpu: &Device, label: &'static str, size: wgpu::Extent3d) -> wgpu::Texture {
    gpu.device.create_texture(&wgpu::TextureDescriptor {
        label: Some(label),
        size,
        mip_level_count: 1,
        sample_count: 1,
        dimension: wgpu::TextureDimension::D2,
        format: wgpu::TextureFormat::Rgba8Unorm,
        usage: wgpu::TextureUsages::TEXTURE_BINDING | wgpu::TextureUsages::COPY_DST,
        view_formats: &[],
    })
}

/// Writes all of such a texture, row by row
pub(super) fn write_colours(gpu: &Device, texture: &wgpu::Texture, bytes: &[u8]) {
    let size = texture.size();
    let layout =
        wgpu::TexelCopyBufferLayout { offset: 0, bytes_per_row: Some(size.width * 4), rows_per_image: None };
    gpu.queue.write_texture(texture.as_image_copy(), bytes, layout, size);
}

/// Bind group 1 of a picture pass: a uniform and the velocity colours
pub(super) fn slot_layout(gpu: &Device, label: &'static str) -> wgpu::BindGroupLayout {
    gpu.device.create_bind_group_layout(&wgpu::BindGroupLayoutDescriptor {
        label: Some(label),
        entries: &[
            wgpu::BindGroupLayoutEntry {
                binding: 0,
                visibility: wgpu::ShaderStages::FRAGMENT,
                ty: wgpu::BindingType::Buffer {
                    ty: wgpu::BufferBindingType::Uniform,
                    has_dynamic_offset: false,
                    min_binding_size: None,
                },
                count: None,
            },
            wgpu::BindGroupLayoutEntry {
                binding: 1,
                visibility: wgpu::ShaderStages::FRAGMENT,
                ty: wgpu::BindingType::Texture {
                    sample_type: wgpu::TextureSampleType::Float { filterable: false },
                    view_dimension: wgpu::TextureViewDimension::D2,
                    multisampled: false,
                },
                count: None,
            },
        ],
    })
}

pub(super) fn slot_group(
    gpu: &Device,
    label: &'static str,
    layout: &wgpu::BindGroupLayout,
    uniform: &wgpu::Buffer,
    lut: &Lut,
) -> wgpu::BindGroup {
    gpu.device.create_bind_group(&wgpu::BindGroupDescriptor {
        label: Some(label),
        layout,
        entries: &[
            wgpu::BindGroupEntry { binding: 0, resource: uniform.as_entire_binding() },
            wgpu::BindGroupEntry { binding: 1, resource: wgpu::BindingResource::TextureView(&lut.view) },
        ],
    })
}

pub(super) fn uniform_buffer(gpu: &Device, label: &'static str, bytes: usize) -> wgpu::Buffer {
    gpu.device.create_buffer(&wgpu::BufferDescriptor {
        label: Some(label),
        size: bytes as u64,
        usage: wgpu::BufferUsages::UNIFORM | wgpu::BufferUsages::COPY_DST,
        mapped_at_creation: false,
    })
}

/// A pipeline that draws one triangle over the viewport: vertex entry `corner`, fragment `entry`
pub(super) fn picture_pipeline(
    gpu: &Device,
    shader: &shader::Shader,
    groups: &[&wgpu::BindGroupLayout],
    entry: &'static str,
    format: wgpu::TextureFormat,
    blend: Option<wgpu::BlendState>,
) -> wgpu::RenderPipeline {
    let module = shader.module(&gpu.device);
    let groups: Vec<Option<&wgpu::BindGroupLayout>> = groups.iter().map(|group| Some(*group)).collect();
    let layout = gpu.device.create_pipeline_layout(&wgpu::PipelineLayoutDescriptor {
        label: Some(shader.name),
        bind_group_layouts: &groups,
        immediate_size: 0,
    });
    let constants = if shader.over_volume { tier_constants(gpu).to_vec() } else { Vec::new() };
    let options = || wgpu::PipelineCompilationOptions { constants: &constants, ..Default::default() };
    gpu.device.create_render_pipeline(&wgpu::RenderPipelineDescriptor {
        label: Some(shader.name),
        layout: Some(&layout),
        vertex: wgpu::VertexState {
            module: &module,
            entry_point: Some("corner"),
            compilation_options: options(),
            buffers: &[],
        },
        primitive: wgpu::PrimitiveState::default(),
        depth_stencil: None,
        multisample: wgpu::MultisampleState::default(),
        fragment: Some(wgpu::FragmentState {
            module: &module,
            entry_point: Some(entry),
            compilation_options: options(),
            targets: &[Some(wgpu::ColorTargetState { format, blend, write_mask: wgpu::ColorWrites::ALL })],
        }),
        multiview_mask: None,
        cache: None,
    })
}

#[cfg(test)]
mod tests;
