//! Time frames of a volume on the graphics device.
//!
//! A frame is two 3D textures of eight bits a component, five bytes a voxel: the tissue in one; the
//! phasor of the velocity, its presence and the power in the other. Eight bits place a phase within
//! 0.006 rad, which is 0.2 % of the Nyquist velocity and less than one 8-bit velocity code.
//! Sixteen-bit channels lose their lower byte here; pictures show no more, and numbers are made
//! elsewhere. A third, coarse texture says which bricks of voxels hold any colour, so that rays
//! pass over the rest.
//!
//! Only a few frames are kept (a ring): a whole beat of a large volume does not fit on small
//! devices. The frame not shown for longest makes room.

use std::ops::Range;

use rayon::prelude::*;

use crate::volume::{ChannelKind, Codes, VelocityScale, Volume4};

use super::{Device, GpuError, Tier, wgpu};

/// Tissue
pub(super) const ECHO_FORMAT: wgpu::TextureFormat = wgpu::TextureFormat::R8Unorm;
/// Phasor, presence and power
pub(super) const FLOW_FORMAT: wgpu::TextureFormat = wgpu::TextureFormat::Rgba8Unorm;
/// Bytes of a voxel in both textures
const BYTES_A_VOXEL: u64 = 5;
/// Voxels along the side of a brick; keep in sync with `BRICK` of `shaders/volume.wgsl`
const BRICK: usize = 8;
/// Bytes of one upload: small enough not to double the memory of a large volume
const SLAB_BYTES: usize = 16 << 20;

/// One time frame on the device
pub struct FrameTextures {
    frame: usize,
    echo: wgpu::Texture,
    flow: wgpu::Texture,
    bricks: wgpu::Texture,
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

    /// Bytes taken on the device now
    pub fn bytes(&self) -> u64 {
        self.frames.len() as u64 * shape_bytes(self.shape)
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
        let decoder = Decoder::new(volume, frame);
        let [x, y, z] = self.shape;
        let plane = x * y;
        let slices = (SLAB_BYTES / (plane * BYTES_A_VOXEL as usize)).clamp(1, z);
        let mut echo = vec![0u8; slices * plane];
        let mut flow = vec![[0u8; 4]; slices * plane];
        for start in (0..z).step_by(slices) {
            let depth = slices.min(z - start);
            let voxels = start * plane..(start + depth) * plane;
            let (echo, flow) = (&mut echo[..voxels.len()], &mut flow[..voxels.len()]);
            decoder.echo(voxels.clone(), echo);
            decoder.flow(voxels, flow);
            write_slices(gpu, &held.echo, echo, [x, y, depth], 1, start);
            write_slices(gpu, &held.flow, bytemuck::cast_slice(flow), [x, y, depth], 4, start);
            // Hands the slab over now, so that staging copies do not pile up.
            gpu.queue.submit([]);
        }
        let bricks = decoder.bricks(self.shape);
        write_slices(gpu, &held.bricks, &bricks, brick_shape(self.shape), 1, 0);
        if let Err(error) = gpu.check("loading a frame of the volume") {
            self.frames.swap_remove(index);
            return Err(error);
        }
        Ok(index)
    }

    fn frame_textures(&self, gpu: &Device, frame: usize) -> FrameTextures {
        let texture = |label, format, shape: [usize; 3]| {
            let [width, height, depth_or_array_layers] = shape.map(|side| side as u32);
            gpu.device.create_texture(&wgpu::TextureDescriptor {
                label: Some(label),
                size: wgpu::Extent3d { width, height, depth_or_array_layers },
                mip_level_count: 1,
                sample_count: 1,
                dimension: wgpu::TextureDimension::D3,
                format,
                usage: wgpu::TextureUsages::TEXTURE_BINDING | wgpu::TextureUsages::COPY_DST,
                view_formats: &[],
            })
        };
        let echo = texture("volume: tissue", ECHO_FORMAT, self.shape);
        let flow = texture("volume: flow", FLOW_FORMAT, self.shape);
        let bricks = texture("volume: bricks", ECHO_FORMAT, brick_shape(self.shape));
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
                wgpu::BindGroupEntry {
                    binding: 3,
                    resource: wgpu::BindingResource::TextureView(&view(&bricks)),
                },
            ],
        });
        FrameTextures { frame, echo, flow, bricks, group, last_shown: 0 }
    }
}

/// Bind group 0 of every pass over the volume
pub(super) fn volume_layout(gpu: &Device) -> wgpu::BindGroupLayout {
    let filterable = gpu.tier() == Tier::Filtered;
    let visibility = wgpu::ShaderStages::FRAGMENT;
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
        entries: &[texture(0), texture(1), sampler, texture(3)],
    })
}

/// The tier as the shaders' constant
pub(super) fn tier_constants(gpu: &Device) -> [(&'static str, f64); 1] {
    [("filtered", f64::from(u8::from(gpu.tier() == Tier::Filtered)))]
}

/// Bytes of a frame of this shape, bricks included
fn shape_bytes(shape: [usize; 3]) -> u64 {
    let count = |shape: [usize; 3]| shape.iter().product::<usize>() as u64;
    count(shape) * BYTES_A_VOXEL + count(brick_shape(shape))
}

fn brick_shape(shape: [usize; 3]) -> [usize; 3] {
    shape.map(|side| side.div_ceil(BRICK))
}

/// Writes whole slices of a texture from slice `start` on
fn write_slices(
    gpu: &Device,
    texture: &wgpu::Texture,
    bytes: &[u8],
    shape: [usize; 3],
    texel: usize,
    start: usize,
) {
    let [width, height, depth_or_array_layers] = shape.map(|side| side as u32);
    gpu.queue.write_texture(
        wgpu::TexelCopyTextureInfo {
            origin: wgpu::Origin3d { x: 0, y: 0, z: start as u32 },
            ..texture.as_image_copy()
        },
        bytes,
        wgpu::TexelCopyBufferLayout {
            offset: 0,
            bytes_per_row: Some((shape[0] * texel) as u32),
            rows_per_image: Some(height),
        },
        wgpu::Extent3d { width, height, depth_or_array_layers },
    );
}

/// Codes of one frame on their way to texels
struct Decoder<'a> {
    tissue: Option<Codes<'a>>,
    velocity: Option<Codes<'a>>,
    power: Option<Codes<'a>>,
    table: Vec<[u8; 4]>,
}

/// Voxels a worker decodes at a time
const CHUNK: usize = 1 << 15;

impl<'a> Decoder<'a> {
    fn new(volume: &'a Volume4, frame: usize) -> Self {
        let codes = |kind| volume.channel(kind).map(|channel| channel.samples().frame(frame));
        Self {
            tissue: codes(ChannelKind::Tissue),
            velocity: codes(ChannelKind::Velocity),
            power: codes(ChannelKind::Power),
            table: volume.velocity_scale().map(phasor_table).unwrap_or_default(),
        }
    }

    /// The tissue of a run of voxels
    fn echo(&self, voxels: Range<usize>, texels: &mut [u8]) {
        match &self.tissue {
            Some(Codes::U8(codes)) => texels.copy_from_slice(&codes[voxels]),
            Some(Codes::U16(codes)) => {
                let chunks = codes[voxels].par_chunks(CHUNK);
                texels.par_chunks_mut(CHUNK).zip(chunks).for_each(|(texels, codes)| {
                    for (texel, code) in texels.iter_mut().zip(codes) {
                        *texel = upper_byte(*code);
                    }
                });
            }
            None => texels.fill(0),
        }
    }

    /// Phasor, presence and power of a run of voxels
    fn flow(&self, voxels: Range<usize>, texels: &mut [[u8; 4]]) {
        texels.par_chunks_mut(CHUNK).enumerate().for_each(|(chunk, texels)| {
            let from = voxels.start + chunk * CHUNK;
            let run = from..from + texels.len();
            match &self.velocity {
                Some(Codes::U8(codes)) => {
                    look_up(texels, codes[run.clone()].iter().map(|c| usize::from(*c)), &self.table);
                }
                Some(Codes::U16(codes)) => {
                    look_up(texels, codes[run.clone()].iter().map(|c| usize::from(*c)), &self.table);
                }
                None => texels.fill(STILL),
            }
            match &self.power {
                Some(Codes::U8(codes)) => add_power(texels, codes[run].iter().copied()),
                Some(Codes::U16(codes)) => add_power(texels, codes[run].iter().map(|c| upper_byte(*c))),
                None => add_power(texels, std::iter::repeat(255)),
            }
        });
    }

    /// The largest power of what is coloured in each brick and in the next voxels up; 255 for
    /// colour without power
    fn bricks(&self, shape: [usize; 3]) -> Vec<u8> {
        let [wide, high, _] = brick_shape(shape);
        let mut bricks = vec![0; brick_shape(shape).iter().product()];
        let Some(velocity) = &self.velocity else { return bricks };
        bricks.par_chunks_mut(wide).enumerate().for_each(|(row, bricks)| {
            let reach = |brick: usize, side: usize| brick * BRICK..(brick * BRICK + BRICK + 1).min(side);
            for z in reach(row / high, shape[2]) {
                for y in reach(row % high, shape[1]) {
                    let start = (z * shape[1] + y) * shape[0];
                    for (brick, largest) in bricks.iter_mut().enumerate() {
                        for index in reach(brick, shape[0]).map(|x| start + x) {
                            if self.table[usize::from(velocity.at(index))] != STILL {
                                *largest = (*largest).max(match &self.power {
                                    Some(Codes::U8(codes)) => codes[index],
                                    Some(Codes::U16(codes)) => upper_byte(codes[index]),
                                    None => 255,
                                });
                            }
                        }
                    }
                }
            }
        });
        bricks
    }
}

/// The texel of no colour
const STILL: [u8; 4] = [128, 128, 0, 0];

fn look_up(texels: &mut [[u8; 4]], codes: impl Iterator<Item = usize>, table: &[[u8; 4]]) {
    for (texel, code) in texels.iter_mut().zip(codes) {
        *texel = table.get(code).copied().unwrap_or(STILL);
    }
}

fn add_power(texels: &mut [[u8; 4]], powers: impl Iterator<Item = u8>) {
    for (texel, power) in texels.iter_mut().zip(powers) {
        texel[3] = power;
    }
}

/// A 16-bit code in eight bits, rounded, so that the full code is the full byte
fn upper_byte(code: u16) -> u8 {
    ((u32::from(code) * 255 + 32_767) / 65_535) as u8
}

/// The texel of every velocity code: presence-weighted cosine and sine, presence, and room for power
fn phasor_table(scale: VelocityScale) -> Vec<[u8; 4]> {
    (0..=((1u32 << scale.bits()) - 1) as u16)
        .map(|code| {
            if code == scale.zero_code() {
                return STILL;
            }
            let (sin, cos) = libm::sincos(scale.phase(code));
            let byte = |x: f64| (128.0 + 127.0 * x).round() as u8;
            [byte(cos), byte(sin), 255, 0]
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gpu::test_volume;

    #[test]
    fn sixteen_bits_become_eight() {
        assert_eq!([0u16, 128, 129, 32_768, 65_535].map(upper_byte), [0, 0, 1, 128, 255]);
    }

    #[test]
    fn a_brick_knows_the_loudest_colour_a_sample_in_it_can_meet() {
        let volume = test_volume::full();
        let shape = volume.grid.shape();
        let decoder = Decoder::new(&volume, 0);
        let bricks = decoder.bricks(shape);
        let [wide, high, _] = brick_shape(shape);
        let codes = |kind| volume.channel(kind).unwrap().samples().frame(0);
        let (velocity, power) = (codes(ChannelKind::Velocity), codes(ChannelKind::Power));
        // The other way round: every coloured voxel is heard by the bricks of the cells it is a
        // corner of, and no brick is louder than its loudest.
        let mut expected = vec![0u16; bricks.len()];
        for index in 0..volume.grid.voxels() {
            let at = [index % shape[0], index / shape[0] % shape[1], index / shape[0] / shape[1]];
            if velocity.at(index) == volume.velocity_scale().unwrap().zero_code() {
                continue;
            }
            for corner in 0..8 {
                let cell = [0, 1, 2].map(|axis| at[axis].saturating_sub(corner >> axis & 1) / BRICK);
                let brick = &mut expected[cell[0] + wide * (cell[1] + high * cell[2])];
                *brick = (*brick).max(power.at(index));
            }
        }
        assert_eq!(bricks.iter().map(|b| u16::from(*b)).collect::<Vec<_>>(), expected);
        assert!(bricks.contains(&0) && bricks.iter().any(|b| *b > 200));
    }
}
