//! Time frames of a volume on the graphics device.
//!
//! A frame is two 3D textures of eight bits a component, six bytes a voxel: tissue and power in
//! one, the phasor of the velocity, its presence and the variance in the other. Eight bits place a
//! phase within 0.006 rad, which is 0.2 % of the Nyquist velocity and less than one 8-bit velocity
//! code. Sixteen-bit channels lose their lower byte here; pictures show no more, and numbers are
//! made elsewhere.
//!
//! Only a few frames are kept (a ring): a whole beat of a large volume does not fit on small
//! devices. The frame not shown for longest makes room.

use rayon::prelude::*;

use crate::volume::{ChannelKind, Codes, VelocityScale, Volume4};

use super::{Device, GpuError, Tier, wgpu};

/// Tissue and power
pub(super) const ECHO_FORMAT: wgpu::TextureFormat = wgpu::TextureFormat::Rg8Unorm;
/// Phasor, presence and variance
pub(super) const FLOW_FORMAT: wgpu::TextureFormat = wgpu::TextureFormat::Rgba8Unorm;
/// Bytes of a voxel in both textures
const BYTES_A_VOXEL: u64 = 6;
/// Bytes of one upload: small enough not to double the memory of a large volume
const SLAB_BYTES: usize = 16 << 20;

/// One time frame on the device
pub struct FrameTextures {
    frame: usize,
    echo: wgpu::Texture,
    flow: wgpu::Texture,
    group: wgpu::BindGroup,
    last_shown: u64,
}

impl FrameTextures {
    /// Which frame of the volume it is
    pub fn frame(&self) -> usize {
        self.frame
    }

    /// The textures as bind group 0 of every pass over the volume
    pub(super) fn group(&self) -> &wgpu::BindGroup {
        &self.group
    }
}

/// A small ring of time frames of one volume
pub struct VolumeTextures {
    shape: [usize; 3],
    layout: wgpu::BindGroupLayout,
    sampler: wgpu::Sampler,
    frames: Vec<FrameTextures>,
    most: usize,
    clock: u64,
    shown: usize,
}

impl VolumeTextures {
    /// A ring of at most `most` frames (at least one) for a volume, empty
    ///
    /// # Errors
    /// [`GpuError::TooLarge`] where the device cannot hold a side of the volume.
    pub fn new(gpu: &Device, volume: &Volume4, most: usize) -> Result<Self, GpuError> {
        let shape = volume.grid.shape();
        let limit = gpu.device.limits().max_texture_dimension_3d;
        if shape.iter().any(|side| *side > limit as usize) {
            return Err(GpuError::TooLarge { shape, limit });
        }
        let filter = match gpu.tier() {
            Tier::Filtered => wgpu::FilterMode::Linear,
            Tier::Plain => wgpu::FilterMode::Nearest,
        };
        let sampler = gpu.device.create_sampler(&wgpu::SamplerDescriptor {
            label: Some("volume"),
            mag_filter: filter,
            min_filter: filter,
            ..Default::default()
        });
        let layout = volume_layout(gpu);
        Ok(Self { shape, layout, sampler, frames: Vec::new(), most: most.max(1), clock: 0, shown: 0 })
    }

    /// Bytes one frame of a volume takes on the device
    pub fn frame_bytes(volume: &Volume4) -> u64 {
        volume.grid.voxels() as u64 * BYTES_A_VOXEL
    }

    /// Bytes taken on the device now
    pub fn bytes(&self) -> u64 {
        self.frames.len() as u64 * self.shape.iter().product::<usize>() as u64 * BYTES_A_VOXEL
    }

    /// Whether a frame is on the device
    pub fn holds(&self, frame: usize) -> bool {
        self.frames.iter().any(|held| held.frame == frame)
    }

    /// The frame shown last with [`VolumeTextures::show`], if it is on the device
    pub fn shown(&self) -> Option<&FrameTextures> {
        self.frames.iter().find(|held| held.frame == self.shown)
    }

    /// Makes sure a frame is on the device and makes it the one shown
    ///
    /// # Errors
    /// [`GpuError::NoFrame`]; [`GpuError::Failed`] where the device ran out of memory or was lost.
    ///
    /// The volume must be the one the ring was made for; another shape is uploaded as nothing.
    pub fn show(&mut self, gpu: &Device, volume: &Volume4, frame: usize) -> Result<&FrameTextures, GpuError> {
        if frame >= volume.frames() || volume.grid.shape() != self.shape {
            return Err(GpuError::NoFrame { frame, frames: volume.frames() });
        }
        self.clock += 1;
        let index = match self.frames.iter().position(|held| held.frame == frame) {
            Some(index) => index,
            None => self.upload(gpu, volume, frame)?,
        };
        self.shown = frame;
        self.frames[index].last_shown = self.clock;
        Ok(&self.frames[index])
    }

    /// Makes the textures again on a new device: the frame that was shown, at once
    ///
    /// # Errors
    /// As [`VolumeTextures::new`] and [`VolumeTextures::show`].
    pub fn rebuild(&mut self, gpu: &Device, volume: &Volume4) -> Result<(), GpuError> {
        let frame = self.shown;
        *self = Self::new(gpu, volume, self.most)?;
        self.show(gpu, volume, frame).map(|_| ())
    }

    fn upload(&mut self, gpu: &Device, volume: &Volume4, frame: usize) -> Result<usize, GpuError> {
        let index = if self.frames.len() < self.most {
            self.frames.push(self.frame_textures(gpu, frame));
            self.frames.len() - 1
        } else {
            // The frame not shown for longest makes room; its textures are used again.
            let oldest = (0..self.frames.len()).min_by_key(|i| self.frames[*i].last_shown).unwrap_or(0);
            self.frames[oldest].frame = frame;
            oldest
        };
        let held = &self.frames[index];
        let [x, y, z] = self.shape;
        let plane = x * y;
        let decoder = Decoder::new(volume, frame);
        let slices = (SLAB_BYTES / (plane * BYTES_A_VOXEL as usize)).clamp(1, z);
        let mut echo = vec![0u8; slices * plane * 2];
        let mut flow = vec![0u8; slices * plane * 4];
        for start in (0..z).step_by(slices) {
            let depth = slices.min(z - start);
            let (echo, flow) = (&mut echo[..depth * plane * 2], &mut flow[..depth * plane * 4]);
            decoder.echo(start * plane, echo);
            decoder.flow(start * plane, flow);
            for (texture, bytes, size) in [(&held.echo, &*echo, 2), (&held.flow, &*flow, 4)] {
                gpu.queue.write_texture(
                    wgpu::TexelCopyTextureInfo {
                        origin: wgpu::Origin3d { x: 0, y: 0, z: start as u32 },
                        ..texture.as_image_copy()
                    },
                    bytes,
                    wgpu::TexelCopyBufferLayout {
                        offset: 0,
                        bytes_per_row: Some((x * size) as u32),
                        rows_per_image: Some(y as u32),
                    },
                    wgpu::Extent3d { width: x as u32, height: y as u32, depth_or_array_layers: depth as u32 },
                );
            }
            // Hands the slab over now, so that staging copies do not pile up.
            gpu.queue.submit([]);
        }
        if let Err(error) = gpu.check("loading a frame of the volume") {
            self.frames.swap_remove(index);
            return Err(error);
        }
        Ok(index)
    }

    fn frame_textures(&self, gpu: &Device, frame: usize) -> FrameTextures {
        let [width, height, depth] = self.shape.map(|side| side as u32);
        let texture = |label, format| {
            gpu.device.create_texture(&wgpu::TextureDescriptor {
                label: Some(label),
                size: wgpu::Extent3d { width, height, depth_or_array_layers: depth },
                mip_level_count: 1,
                sample_count: 1,
                dimension: wgpu::TextureDimension::D3,
                format,
                usage: wgpu::TextureUsages::TEXTURE_BINDING | wgpu::TextureUsages::COPY_DST,
                view_formats: &[],
            })
        };
        let echo = texture("volume: tissue and power", ECHO_FORMAT);
        let flow = texture("volume: flow", FLOW_FORMAT);
        let view = |texture: &wgpu::Texture| texture.create_view(&wgpu::TextureViewDescriptor::default());
        let group = gpu.device.create_bind_group(&wgpu::BindGroupDescriptor {
            label: Some("volume"),
            layout: &self.layout,
            entries: &[
                wgpu::BindGroupEntry {
                    binding: 0,
                    resource: wgpu::BindingResource::TextureView(&view(&echo)),
                },
                wgpu::BindGroupEntry {
                    binding: 1,
                    resource: wgpu::BindingResource::TextureView(&view(&flow)),
                },
                wgpu::BindGroupEntry { binding: 2, resource: wgpu::BindingResource::Sampler(&self.sampler) },
            ],
        });
        FrameTextures { frame, echo, flow, group, last_shown: 0 }
    }
}

/// Bind group 0 of every pass over the volume
pub(super) fn volume_layout(gpu: &Device) -> wgpu::BindGroupLayout {
    let filterable = gpu.tier() == Tier::Filtered;
    let visibility = wgpu::ShaderStages::FRAGMENT
        | if filterable { wgpu::ShaderStages::COMPUTE } else { wgpu::ShaderStages::NONE };
    let texture = |binding| wgpu::BindGroupLayoutEntry {
        binding,
        visibility,
        ty: wgpu::BindingType::Texture {
            sample_type: wgpu::TextureSampleType::Float { filterable },
            view_dimension: wgpu::TextureViewDimension::D3,
            multisampled: false,
        },
        count: None,
    };
    let sampler = wgpu::BindGroupLayoutEntry {
        binding: 2,
        visibility,
        ty: wgpu::BindingType::Sampler(if filterable {
            wgpu::SamplerBindingType::Filtering
        } else {
            wgpu::SamplerBindingType::NonFiltering
        }),
        count: None,
    };
    gpu.device.create_bind_group_layout(&wgpu::BindGroupLayoutDescriptor {
        label: Some("volume"),
        entries: &[texture(0), texture(1), sampler],
    })
}

/// The tier as the shaders' constant
pub(super) fn tier_constants(gpu: &Device) -> [(&'static str, f64); 1] {
    [("filtered", f64::from(u8::from(gpu.tier() == Tier::Filtered)))]
}

/// Codes of one frame on their way to texels
struct Decoder<'a> {
    tissue: Option<Codes<'a>>,
    power: Option<Codes<'a>>,
    variance: Option<Codes<'a>>,
    velocity: Option<(Codes<'a>, Vec<[u8; 3]>)>,
}

impl<'a> Decoder<'a> {
    fn new(volume: &'a Volume4, frame: usize) -> Self {
        let codes = |kind| volume.channel(kind).map(|channel| channel.samples().frame(frame));
        Self {
            tissue: codes(ChannelKind::Tissue),
            power: codes(ChannelKind::Power),
            variance: codes(ChannelKind::Variance),
            velocity: codes(ChannelKind::Velocity).map(|c| (c, phasor_table(&volume.velocity_scale))),
        }
    }

    /// Tissue and power of the voxels from `start` on, two bytes each
    fn echo(&self, start: usize, texels: &mut [u8]) {
        fill::<2>(start, texels, |index| {
            [upper_byte(self.tissue.as_ref(), index), upper_byte(self.power.as_ref(), index)]
        });
    }

    /// Phasor, presence and variance of the voxels from `start` on, four bytes each
    fn flow(&self, start: usize, texels: &mut [u8]) {
        fill::<4>(start, texels, |index| {
            let [re, im, here] = match &self.velocity {
                Some((codes, table)) => table[codes.at(index) as usize],
                None => [128, 128, 0],
            };
            [re, im, here, upper_byte(self.variance.as_ref(), index)]
        });
    }
}

fn fill<const N: usize>(start: usize, texels: &mut [u8], texel: impl Fn(usize) -> [u8; N] + Sync) {
    const CHUNK: usize = 1 << 14;
    texels.par_chunks_mut(CHUNK * N).enumerate().for_each(|(chunk, texels)| {
        for (i, target) in texels.chunks_exact_mut(N).enumerate() {
            target.copy_from_slice(&texel(start + chunk * CHUNK + i));
        }
    });
}

fn upper_byte(codes: Option<&Codes<'_>>, index: usize) -> u8 {
    match codes {
        Some(Codes::U8(codes)) => codes[index],
        // Rounded, so that the full code is the full byte.
        Some(Codes::U16(codes)) => ((u32::from(codes[index]) * 255 + 32_767) / 65_535) as u8,
        None => 0,
    }
}

/// The texel of every velocity code: presence-weighted cosine and sine, and presence
fn phasor_table(scale: &VelocityScale) -> Vec<[u8; 3]> {
    (0..=((1u32 << scale.bits()) - 1) as u16)
        .map(|code| {
            if code == scale.zero_code() {
                return [128, 128, 0];
            }
            let (sin, cos) = libm::sincos(scale.phase(code));
            let byte = |x: f64| (128.0 + 127.0 * x).round() as u8;
            [byte(cos), byte(sin), 255]
        })
        .collect()
}
