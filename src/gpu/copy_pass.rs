//! Lays pictures that the processor drew into a render pass.
//!
//! Where the graphics adapter is a program on the processor, each pixel costs what its shader does, and a
//! user interface's shader does much. This one copies.

use crate::numeric::Image;

use super::cut_pass::{colours_texture, picture_pipeline, write_colours};
use super::{Device, GpuError, shader, wgpu};

/// Lays pictures into whatever viewport is set in a pass
pub struct CopyPass {
    pipeline: wgpu::RenderPipeline,
    layout: wgpu::BindGroupLayout,
    sampler: wgpu::Sampler,
    slots: Vec<Option<Slot>>,
    fills: Vec<([u8; 4], Slot)>,
}

struct Slot {
    texture: wgpu::Texture,
    group: wgpu::BindGroup,
}

impl CopyPass {
    /// A pass that lays into targets of `format`, which must hold sRGB bytes as they are
    ///
    /// # Errors
    /// [`GpuError::Failed`] where the device refuses the shader.
    pub fn new(gpu: &Device, format: wgpu::TextureFormat) -> Result<Self, GpuError> {
        let layout = layout(gpu);
        let pipeline = picture_pipeline(gpu, &shader::COPY, &[&layout], "colours", format, None);
        let sampler = gpu.device.create_sampler(&wgpu::SamplerDescriptor {
            label: Some("copy"),
            mag_filter: wgpu::FilterMode::Linear,
            min_filter: wgpu::FilterMode::Linear,
            ..Default::default()
        });
        gpu.check("preparing to copy pictures")?;
        Ok(Self { pipeline, layout, sampler, slots: Vec::new(), fills: Vec::new() })
    }

    /// Puts a picture (sRGB, row 0 at the top) in a slot, numbered from 0 by the caller
    ///
    /// # Errors
    /// [`GpuError::PictureSize`], [`GpuError::Failed`].
    pub fn put(&mut self, gpu: &Device, slot: usize, image: &Image<[u8; 4]>) -> Result<(), GpuError> {
        let (width, height) = (image.width() as u32, image.height() as u32);
        if self.slots.len() <= slot {
            self.slots.resize_with(slot + 1, || None);
        }
        let place = &mut self.slots[slot];
        let size = wgpu::Extent3d { width, height, depth_or_array_layers: 1 };
        let slot = match place.take().filter(|slot| slot.texture.size() == size) {
            Some(slot) => slot,
            None => Slot::new(gpu, &self.layout, &self.sampler, size)?,
        };
        write_colours(gpu, &slot.texture, bytemuck::cast_slice(image.data()));
        *place = Some(slot);
        Ok(())
    }

    /// Readies a colour (sRGB) to fill a viewport with
    ///
    /// # Errors
    /// [`GpuError::Failed`].
    pub fn ready(&mut self, gpu: &Device, colour: [u8; 4]) -> Result<(), GpuError> {
        if self.fills.iter().all(|(known, _)| *known != colour) {
            let slot = Slot::new(gpu, &self.layout, &self.sampler, wgpu::Extent3d::default())?;
            write_colours(gpu, &slot.texture, &colour);
            self.fills.push((colour, slot));
        }
        Ok(())
    }

    /// Fills the viewport set in the pass with a colour; one that was never readied fills nothing
    pub fn fill(&self, pass: &mut wgpu::RenderPass<'_>, colour: [u8; 4]) {
        if let Some((_, slot)) = self.fills.iter().find(|(known, _)| *known == colour) {
            self.lay(pass, slot);
        }
    }

    /// Lays a slot's picture into the viewport set in the pass; an empty slot lays nothing
    pub fn paint(&self, pass: &mut wgpu::RenderPass<'_>, slot: usize) {
        if let Some(Some(slot)) = self.slots.get(slot) {
            self.lay(pass, slot);
        }
    }

    fn lay(&self, pass: &mut wgpu::RenderPass<'_>, slot: &Slot) {
        pass.set_pipeline(&self.pipeline);
        pass.set_bind_group(0, &slot.group, &[]);
        pass.draw(0..3, 0..1);
    }
}

impl Slot {
    fn new(
        gpu: &Device,
        layout: &wgpu::BindGroupLayout,
        sampler: &wgpu::Sampler,
        size: wgpu::Extent3d,
    ) -> Result<Self, GpuError> {
        let (width, height) = (size.width, size.height);
        let limit = gpu.device.limits().max_texture_dimension_2d;
        if width == 0 || height == 0 || width > limit || height > limit {
            return Err(GpuError::PictureSize { width, height, limit });
        }
        let texture = colours_texture(gpu, "copy", size);
        gpu.check("making a picture")?;
        let view = texture.create_view(&wgpu::TextureViewDescriptor::default());
        let group = gpu.device.create_bind_group(&wgpu::BindGroupDescriptor {
            label: Some("copy"),
            layout,
            entries: &[
                wgpu::BindGroupEntry { binding: 0, resource: wgpu::BindingResource::TextureView(&view) },
                wgpu::BindGroupEntry { binding: 1, resource: wgpu::BindingResource::Sampler(sampler) },
            ],
        });
        Ok(Self { texture, group })
    }
}

fn layout(gpu: &Device) -> wgpu::BindGroupLayout {
    let entry = |binding, ty| wgpu::BindGroupLayoutEntry {
        binding,
        visibility: wgpu::ShaderStages::FRAGMENT,
        ty,
        count: None,
    };
    gpu.device.create_bind_group_layout(&wgpu::BindGroupLayoutDescriptor {
        label: Some("copy"),
        entries: &[
            entry(
                0,
                wgpu::BindingType::Texture {
                    sample_type: wgpu::TextureSampleType::Float { filterable: true },
                    view_dimension: wgpu::TextureViewDimension::D2,
                    multisampled: false,
                },
            ),
            entry(1, wgpu::BindingType::Sampler(wgpu::SamplerBindingType::Filtering)),
        ],
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gpu::{DeviceOptions, Target};

    #[test]
    fn pictures_come_out_as_they_went_in() {
        let gpu = Device::headless(DeviceOptions::default())
            .expect("tests need a graphics adapter, a software one will do");
        let mut pass = CopyPass::new(&gpu, Target::COLOURS).unwrap();
        let target = Target::new(&gpu, 37, 21).unwrap();
        let picture = |k: usize| {
            Image::from_fn(37, 21, |x, y| [x * 6, y * 12, (x * y + k) % 256, 255].map(|byte| byte as u8))
        };
        // Of two slots the one that is asked for; of two pictures in it the later; an empty one lays nothing.
        pass.put(&gpu, 0, &picture(5)).unwrap();
        pass.put(&gpu, 1, &picture(9)).unwrap();
        pass.put(&gpu, 1, &picture(90)).unwrap();
        target.draw(&gpu, |render| pass.paint(render, 1)).unwrap();
        assert_eq!(target.read(&gpu).unwrap(), picture(90));
        target.draw(&gpu, |render| pass.paint(render, 2)).unwrap();
        assert!(target.read(&gpu).unwrap().data().iter().all(|pixel| *pixel == [0, 0, 0, 255]));
        // A larger picture fits itself into the viewport.
        pass.put(&gpu, 1, &Image::filled(300, 200, [10, 20, 30, 255])).unwrap();
        target.draw(&gpu, |render| pass.paint(render, 1)).unwrap();
        assert!(target.read(&gpu).unwrap().data().iter().all(|pixel| *pixel == [10, 20, 30, 255]));
        // A colour fills it, once it is there.
        let colours = [[40, 50, 60, 255], [70, 80, 90, 255]];
        for colour in colours {
            pass.ready(&gpu, colour).unwrap();
        }
        target.draw(&gpu, |render| pass.fill(render, colours[0])).unwrap();
        assert!(target.read(&gpu).unwrap().data().iter().all(|pixel| *pixel == colours[0]));
        target.draw(&gpu, |render| pass.fill(render, [1, 2, 3, 255])).unwrap();
        assert!(target.read(&gpu).unwrap().data().iter().all(|pixel| *pixel == [0, 0, 0, 255]));
        let nothing = Image::filled(0, 0, [0; 4]);
        assert!(matches!(pass.put(&gpu, 1, &nothing), Err(GpuError::PictureSize { .. })));
    }
}
