//! A picture on the device that is drawn into without a window, and read back.

use crate::numeric::Image;

use super::{Device, GpuError, wgpu};

/// A picture on the device, sRGB bytes or numbers
pub struct Target {
    texture: wgpu::Texture,
    view: wgpu::TextureView,
}

impl Target {
    /// What a headless picture is made of: sRGB bytes, written as they are
    pub const COLOURS: wgpu::TextureFormat = wgpu::TextureFormat::Rgba8Unorm;
    /// What the passes write numbers into
    pub(super) const NUMBERS: wgpu::TextureFormat = wgpu::TextureFormat::Rgba32Float;

    /// A picture of this many columns and rows
    ///
    /// # Errors
    /// [`GpuError::PictureSize`], [`GpuError::Failed`].
    pub fn new(gpu: &Device, width: u32, height: u32) -> Result<Self, GpuError> {
        Self::of(gpu, width, height, Self::COLOURS)
    }

    pub(super) fn of(
        gpu: &Device,
        width: u32,
        height: u32,
        format: wgpu::TextureFormat,
    ) -> Result<Self, GpuError> {
        let limit = gpu.device.limits().max_texture_dimension_2d;
        if width == 0 || height == 0 || width > limit || height > limit {
            return Err(GpuError::PictureSize { width, height, limit });
        }
        let texture = gpu.device.create_texture(&wgpu::TextureDescriptor {
            label: Some("picture"),
            size: wgpu::Extent3d { width, height, depth_or_array_layers: 1 },
            mip_level_count: 1,
            sample_count: 1,
            dimension: wgpu::TextureDimension::D2,
            format,
            usage: wgpu::TextureUsages::RENDER_ATTACHMENT | wgpu::TextureUsages::COPY_SRC,
            view_formats: &[],
        });
        gpu.check("making a picture")?;
        let view = texture.create_view(&wgpu::TextureViewDescriptor::default());
        Ok(Self { texture, view })
    }

    /// A render pass over the whole picture, cleared to black
    pub fn pass<'a>(
        &self,
        encoder: &'a mut wgpu::CommandEncoder,
        timing: Option<wgpu::RenderPassTimestampWrites<'_>>,
    ) -> wgpu::RenderPass<'a> {
        encoder.begin_render_pass(&wgpu::RenderPassDescriptor {
            label: Some("picture"),
            color_attachments: &[Some(wgpu::RenderPassColorAttachment {
                view: &self.view,
                depth_slice: None,
                resolve_target: None,
                ops: wgpu::Operations {
                    load: wgpu::LoadOp::Clear(wgpu::Color::BLACK),
                    store: wgpu::StoreOp::Store,
                },
            })],
            timestamp_writes: timing,
            ..Default::default()
        })
    }

    /// Draws into the whole picture: one pass, handed to the device at once
    ///
    /// # Errors
    /// [`GpuError::Failed`] where the device refused a command or was lost.
    pub fn draw(&self, gpu: &Device, paint: impl FnOnce(&mut wgpu::RenderPass<'_>)) -> Result<(), GpuError> {
        let mut encoder = gpu.device.create_command_encoder(&wgpu::CommandEncoderDescriptor::default());
        {
            let mut pass = self.pass(&mut encoder, None);
            paint(&mut pass);
        }
        gpu.queue.submit([encoder.finish()]);
        gpu.check("drawing")
    }

    /// The colours, row 0 at the top
    ///
    /// # Errors
    /// [`GpuError::Failed`].
    pub fn read(&self, gpu: &Device) -> Result<Image<[u8; 4]>, GpuError> {
        self.read_texels(gpu)
    }

    /// The numbers, row 0 at the top
    pub(super) fn read_numbers(&self, gpu: &Device) -> Result<Image<[f32; 4]>, GpuError> {
        self.read_texels(gpu)
    }

    fn read_texels<T: bytemuck::Pod>(&self, gpu: &Device) -> Result<Image<T>, GpuError> {
        let failed = |reason: String| GpuError::Failed { doing: "reading a picture back", reason };
        let (width, height) = (self.texture.width(), self.texture.height());
        let row_bytes = width as usize * size_of::<T>();
        let padded = row_bytes.next_multiple_of(wgpu::COPY_BYTES_PER_ROW_ALIGNMENT as usize);
        let buffer = gpu.device.create_buffer(&wgpu::BufferDescriptor {
            label: Some("picture, read back"),
            size: (padded * height as usize) as u64,
            usage: wgpu::BufferUsages::COPY_DST | wgpu::BufferUsages::MAP_READ,
            mapped_at_creation: false,
        });
        let mut encoder = gpu.device.create_command_encoder(&wgpu::CommandEncoderDescriptor::default());
        encoder.copy_texture_to_buffer(
            self.texture.as_image_copy(),
            wgpu::TexelCopyBufferInfo {
                buffer: &buffer,
                layout: wgpu::TexelCopyBufferLayout {
                    offset: 0,
                    bytes_per_row: Some(padded as u32),
                    rows_per_image: None,
                },
            },
            self.texture.size(),
        );
        gpu.queue.submit([encoder.finish()]);
        let bytes = map(gpu, &buffer).map_err(failed)?;
        let mut texels = Vec::with_capacity(width as usize * height as usize);
        for row in bytes.chunks_exact(padded) {
            texels
                .extend(row[..row_bytes].chunks_exact(size_of::<T>()).map(bytemuck::pod_read_unaligned::<T>));
        }
        gpu.check("reading a picture back")?;
        Image::from_rows(width as usize, height as usize, texels)
            .ok_or_else(|| failed("texels are missing".into()))
    }
}

/// The bytes of a buffer that can be mapped for reading, once all work before is done
pub(super) fn map(gpu: &Device, buffer: &wgpu::Buffer) -> Result<Vec<u8>, String> {
    let (sender, receiver) = std::sync::mpsc::sync_channel(1);
    buffer.slice(..).map_async(wgpu::MapMode::Read, move |result| {
        // The receiver may be gone only if waiting failed, which is reported there.
        let _ = sender.send(result);
    });
    gpu.wait().map_err(|error| error.to_string())?;
    match receiver.try_recv() {
        Ok(Ok(())) => {}
        Ok(Err(error)) => return Err(error.to_string()),
        Err(error) => return Err(error.to_string()),
    }
    let bytes = buffer.get_mapped_range(..).map_err(|error| error.to_string())?.to_vec();
    buffer.unmap();
    Ok(bytes)
}
