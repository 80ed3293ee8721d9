//! The jet in three dimensions with the cut drawn through it, for a corner of the screen.
//!
//! Parallel rays run through a ball about the jet, so that nothing outside it hides the jet. The
//! picture tells where the cut lies, not how large anything is: no number is read from it, and it
//! has no plain twin. Its cost is rays times steps, both chosen by the caller;
//! what is empty is passed a brick at a time.

use crate::numeric::Image;
use crate::space::{Cut, VolumePoint};
use crate::unit::Mm;
use crate::volume::{ChannelKind, Volume4};

use super::colour::ColourMap;
use super::cut_pass::{
    Lut, colour, lowest_share, picture_pipeline, slot_group, slot_layout, uniform_buffer, vector,
};
use super::shader;
use super::target::Target;
use super::textures::{FrameTextures, volume_layout};
use super::{Device, GpuError, wgpu};

/// Structs the shader reads; keep in sync with `shaders/context.wgsl`
mod gpu_data {
    /// `ContextUniform` of `shaders/context.wgsl`
    #[repr(C)]
    #[derive(Clone, Copy, bytemuck::Pod, bytemuck::Zeroable)]
    pub(super) struct ContextUniform {
        pub(super) middle: [f32; 4],
        pub(super) right: [f32; 4],
        pub(super) upward: [f32; 4],
        pub(super) toward: [f32; 4],
        pub(super) extent: [f32; 4],
        pub(super) flow: [f32; 4],
        pub(super) plane: [f32; 4],
        pub(super) disc: [f32; 4],
        pub(super) rim: [f32; 4],
        pub(super) quiet: [f32; 4],
    }

    const _: () = assert!(size_of::<ContextUniform>() == 10 * 16);
}

/// Shown where coherence is lost: a pale tone that is on neither velocity ring
const QUIET: [u8; 3] = [226, 218, 196];

/// What the context shows
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ContextView {
    /// How the reader looks: the middle of the ball, right (`u`), up (`v`), the normal toward the
    /// reader
    pub camera: Cut,
    /// Radius of the ball; it just fits the shorter side of the picture
    pub radius: Mm,
    /// Columns and rows
    pub size_px: [u32; 2],
    /// The cut that is drawn
    pub cut: Cut,
    /// Radius of the disc that stands for it
    pub cut_radius: Mm,
    /// Colour of the disc, sRGB
    pub cut_colour: [u8; 3],
    /// The colours of the jet
    pub map: ColourMap,
    /// Least power shown, in shares of the code range
    pub gain: f32,
    /// Steps of a ray through the whole ball
    pub steps: u32,
}

impl ContextView {
    /// The jet about `cut`, seen from the side and a little from above, the flow running upward
    pub fn new(cut: Cut, radius: Mm, size_px: [u32; 2]) -> Self {
        let camera = Self::turned(&cut, cut.centre(), 0.6, 0.35);
        Self {
            camera,
            radius,
            size_px,
            cut,
            cut_radius: radius * 0.55,
            // Orange of the Okabe-Ito set (#E69F00): the en-face cut
            cut_colour: [230, 159, 0],
            map: ColourMap::default(),
            gain: 0.0,
            steps: 96,
        }
    }

    /// A camera about `middle` with the normal of `upright` upward, turned about it by `yaw` and
    /// raised by `pitch`, both in radians
    pub fn turned(upright: &Cut, middle: VolumePoint, yaw: f64, pitch: f64) -> Cut {
        let rolled = upright.rolled(yaw);
        let (sin, cos) = libm::sincos(pitch);
        // The reader stands at -v of the upright cut, raised toward its normal.
        let toward = rolled.normal().into_inner() * sin - rolled.v().into_inner() * cos;
        Cut::new(middle, nalgebra::Unit::new_normalize(toward), rolled.u().into_inner())
    }
}

/// Draws the context
pub struct ContextPass {
    pipeline: wgpu::RenderPipeline,
    uniform: wgpu::Buffer,
    lut: Lut,
    group: wgpu::BindGroup,
}

impl ContextPass {
    /// A pass that draws over what is in targets of `format` (sRGB bytes as they are)
    ///
    /// # Errors
    /// [`GpuError::Failed`] where the device refuses the shader.
    pub fn new(gpu: &Device, format: wgpu::TextureFormat) -> Result<Self, GpuError> {
        let layout = slot_layout(gpu, "context");
        let blend = Some(wgpu::BlendState::PREMULTIPLIED_ALPHA_BLENDING);
        let groups = [&volume_layout(gpu), &layout];
        let pipeline = picture_pipeline(gpu, &shader::CONTEXT, &groups, "colours", format, blend);
        let uniform = uniform_buffer(gpu, "context", size_of::<gpu_data::ContextUniform>());
        let lut = Lut::new(gpu);
        let group = slot_group(gpu, "context", &layout, &uniform, &lut);
        gpu.check("preparing to draw the context")?;
        Ok(Self { pipeline, uniform, lut, group })
    }

    /// Readies the pass to paint a view of a volume
    pub fn prepare(&mut self, gpu: &Device, volume: &Volume4, view: &ContextView) {
        self.lut.write(gpu, view.map, volume);
        gpu.queue.write_buffer(&self.uniform, 0, bytemuck::bytes_of(&uniform(volume, view)));
    }

    /// Paints the prepared view into the viewport set in the pass
    pub fn paint(&self, pass: &mut wgpu::RenderPass<'_>, frame: &FrameTextures) {
        pass.set_pipeline(&self.pipeline);
        pass.set_bind_group(0, frame.group(), &[]);
        pass.set_bind_group(1, &self.group, &[]);
        pass.draw(0..3, 0..1);
    }

    /// The picture of a view over black, without a window; for a pass made for [`Target::COLOURS`]
    ///
    /// # Errors
    /// As [`Target`].
    pub fn picture(
        &mut self,
        gpu: &Device,
        volume: &Volume4,
        frame: &FrameTextures,
        view: &ContextView,
    ) -> Result<Image<[u8; 4]>, GpuError> {
        let target = Target::new(gpu, view.size_px[0], view.size_px[1])?;
        self.prepare(gpu, volume, view);
        target.draw(gpu, |pass| self.paint(pass, frame))?;
        target.read(gpu)
    }
}

fn uniform(volume: &Volume4, view: &ContextView) -> gpu_data::ContextUniform {
    let camera = &view.camera;
    let axes = [camera.u(), camera.v(), camera.normal()];
    let in_view = |v: nalgebra::Vector3<f64>| axes.map(|axis| axis.dot(&v) as f32);
    let voxels = |axis: crate::space::Direction| vector(volume.grid.voxel_from_vector(axis.into_inner()));
    let [width, height] = view.size_px.map(|side| side.max(1) as f32);
    let shorter = width.min(height);
    let radius = view.radius.get().max(1e-3) as f32;
    let normal = view.cut.normal();
    let offset = view.cut.centre().from(camera.centre());
    let [nx, ny, nz] = in_view(normal.into_inner());
    let [mx, my, mz] = in_view(offset);
    let has_power = f32::from(u8::from(volume.channel(ChannelKind::Power).is_some()));
    gpu_data::ContextUniform {
        middle: vector(volume.grid.voxel_from_volume(camera.centre()).0.coords),
        right: voxels(axes[0]),
        upward: voxels(axes[1]),
        toward: voxels(axes[2]),
        extent: [
            radius * width / shorter,
            radius * height / shorter,
            radius,
            view.steps.clamp(8, 1024) as f32,
        ],
        // Half hidden after 1.5 mm of colour.
        flow: [view.gain, lowest_share(volume), 0.46, has_power],
        plane: [nx, ny, nz, normal.dot(&offset) as f32],
        disc: [mx, my, mz, view.cut_radius.get() as f32],
        rim: colour(view.cut_colour),
        quiet: colour(QUIET),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gpu::{DeviceOptions, VolumeTextures, test_volume};

    fn count(picture: &Image<[u8; 4]>, like: impl Fn(&[u8; 4]) -> bool) -> usize {
        picture.data().iter().filter(|p| like(p)).count()
    }

    #[test]
    fn the_jet_is_in_the_ball_and_the_cut_lies_where_it_is() {
        let (volume, cut) = test_volume::tube(4.0);
        let gpu = Device::headless(DeviceOptions::default()).unwrap();
        let mut textures = VolumeTextures::new(&gpu, &volume, 1).unwrap();
        let shown = textures.show(&gpu, &volume, 0).unwrap();
        let mut pass = ContextPass::new(&gpu, Target::COLOURS).unwrap();
        let mut view = ContextView::new(cut, Mm::new(10.0), [200, 200]);
        // Seen along the tube's axis from ahead, without the cut: a disc of the tube's radius.
        view.camera = cut;
        view.cut_radius = Mm::new(-1.0);
        let end_on = pass.picture(&gpu, &volume, shown, &view).unwrap();
        let seen = count(&end_on, |p| p[0] > 20) as f64;
        // The radius at 10 pixels a millimetre, and up to half a voxel's diagonal more: along the tube
        // the farthest coloured voxels are seen.
        let disc = |radius: f64| std::f64::consts::PI * radius * radius * 100.0;
        assert!(seen > disc(3.95) && seen < disc(4.5), "{seen} pixels");
        assert_eq!(end_on.at(2, 2), [0, 0, 0, 255]);

        // The cut from the side, exactly edge-on, cannot be seen; leaned over it is an ellipse.
        let orange = |p: &[u8; 4]| p[0] > 60 && p[2] < p[0] / 3 && p[1] > p[0] / 2;
        view.cut_radius = Mm::new(8.0);
        view.gain = 1.1;
        view.camera = ContextView::turned(&cut, cut.centre(), 0.4, 0.0);
        let edge_on = pass.picture(&gpu, &volume, shown, &view).unwrap();
        assert!(count(&edge_on, orange) < 400);
        view.camera = ContextView::turned(&cut, cut.centre(), 0.4, 0.5);
        let leaned = pass.picture(&gpu, &volume, shown, &view).unwrap();
        let rows: Vec<usize> = (0..200).filter(|y| leaned.row(*y).iter().any(orange)).collect();
        // Height of the ellipse: 2 * 8 mm * sin(0.5) at 10 pixels a millimetre.
        let height = (rows[rows.len() - 1] - rows[0] + 1) as f64;
        assert!((height - 160.0 * libm::sin(0.5)).abs() < 6.0, "{height}");
    }
}
