//! The window: winit, egui and wgpu put together by hand.
//!
//! By hand and not by the toolkit's own frame, because the device must be [`crate::gpu::Device`],
//! made in the one place that also serves the command line and the tests, with its tiers, its log of
//! errors and its way back after a loss. The surface itself is in the hands of `egui_wgpu`'s
//! painter, which knows how to bring one back that was resized, hidden or lost.

use std::num::NonZeroU32;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use egui::{Event, ViewportId};
use egui_wgpu::{RendererOptions, WgpuConfiguration, WgpuSetup, WgpuSetupExisting, winit::Painter};
use winit::application::ApplicationHandler;
use winit::dpi::LogicalSize;
use winit::event::WindowEvent;
use winit::event_loop::{ActiveEventLoop, ControlFlow, EventLoop, EventLoopProxy};
use winit::window::{Window, WindowId};

use crate::format::OpenOptions;
use crate::gpu::{Device, DeviceOptions, wgpu};
use crate::ui::{background, is_background};

use super::desk::{Desk, DeskOptions};
use super::mirror::Mirror;
use super::{AppError, Opening};

/// What reaches the window from outside its events
#[derive(Debug)]
pub(super) enum Call {
    /// Draw again at this moment
    Repaint(Instant),
    /// A screen reader asks
    Reader(egui_winit::accesskit_winit::Event),
}

impl From<egui_winit::accesskit_winit::Event> for Call {
    fn from(event: egui_winit::accesskit_winit::Event) -> Self {
        Self::Reader(event)
    }
}

/// Opens the window and stays until it is closed
///
/// # Errors
/// See [`AppError`].
pub(super) fn run(paths: Vec<PathBuf>, known: OpenOptions, opening: Opening) -> Result<(), AppError> {
    let event_loop = event_loop()?;
    let ctx = egui::Context::default();
    let proxy = event_loop.create_proxy();
    let waker = std::sync::Mutex::new(proxy.clone());
    ctx.set_request_repaint_callback(move |info| {
        let when = Instant::now() + info.delay.min(std::time::Duration::from_hours(1));
        let waker = waker.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        // Once the loop has ended nobody needs to be woken.
        let _ = waker.send_event(Call::Repaint(when));
    });
    let mut desk = Desk::new(&ctx, DeskOptions::default()).map_err(AppError::Threads)?;
    if opening == Opening::Blind {
        desk.read_blind();
    }
    // The file is read while the window is made.
    if !paths.is_empty() {
        desk.open_knowing(paths, known);
    }
    let given_up_at = lose_device_after().map(|after| Instant::now() + after);
    let mut shell = Shell {
        ctx,
        desk,
        proxy,
        face: None,
        due: None,
        error: None,
        title: String::new(),
        mirror: Mirror::default(),
        given_up_at,
    };
    event_loop.run_app(&mut shell).map_err(|error| AppError::NoDisplay(reason(&error.to_string())))?;
    shell.error.map_or(Ok(()), Err)
}

/// The event loop; a missing library of the window system is a panic there, and an error here
fn event_loop() -> Result<EventLoop<Call>, AppError> {
    let built = std::panic::catch_unwind(|| EventLoop::<Call>::with_user_event().build());
    match built {
        Ok(Ok(event_loop)) => Ok(event_loop),
        Ok(Err(error)) => Err(AppError::NoDisplay(reason(&error.to_string()))),
        Err(_) => Err(AppError::NoDisplay("a library of the window system is missing".into())),
    }
}

/// The reason in an error of the window system, without the place in its source
fn reason(told: &str) -> String {
    let placed = told.strip_prefix("os error at ").and_then(|placed| placed.split_once(": "));
    placed.map_or(told, |(_, reason)| reason).to_owned()
}

/// `NARROWS_LOSE_DEVICE_AFTER`, in seconds: the device is given up once, as if its driver had crashed
fn lose_device_after() -> Option<Duration> {
    let seconds: f64 = std::env::var("NARROWS_LOSE_DEVICE_AFTER").ok()?.parse().ok()?;
    Duration::try_from_secs_f64(seconds).ok()
}

/// Size of a window that is opened, where the monitor holds it
const FIRST: LogicalSize<f64> = LogicalSize::new(1440.0, 900.0);

/// What exists only while there is a window
struct Face {
    window: Arc<Window>,
    input: egui_winit::State,
    painter: Painter,
    device: Arc<Device>,
    /// When the window could be seen; taken once the first cuts are in it
    ready: Option<Instant>,
}

struct Shell {
    ctx: egui::Context,
    desk: Desk,
    proxy: EventLoopProxy<Call>,
    face: Option<Face>,
    due: Option<Instant>,
    error: Option<AppError>,
    title: String,
    mirror: Mirror,
    /// When the device is given up on purpose, to see that it is brought back
    given_up_at: Option<Instant>,
}

/// Size of a window that is opened: as the screens are laid out, and no larger than the monitor, where it is known
fn first_size(event_loop: &ActiveEventLoop) -> LogicalSize<f64> {
    let monitor = event_loop.primary_monitor().or_else(|| event_loop.available_monitors().next());
    let most = monitor.map(|monitor| monitor.size().to_logical::<f64>(monitor.scale_factor()));
    let most = most.filter(|most| most.width > 0.0 && most.height > 0.0);
    most.map_or(FIRST, |most| LogicalSize::new(FIRST.width.min(most.width), FIRST.height.min(most.height)))
}

impl Shell {
    fn make_face(&mut self, event_loop: &ActiveEventLoop) -> Result<Face, AppError> {
        let attributes = Window::default_attributes()
            .with_title("narrows")
            .with_inner_size(first_size(event_loop))
            .with_min_inner_size(LogicalSize::new(960.0, 600.0))
            .with_visible(false);
        let window =
            event_loop.create_window(attributes).map_err(|error| AppError::NoDisplay(error.to_string()))?;
        let window = Arc::new(window);
        let mut input =
            egui_winit::State::new(self.ctx.clone(), ViewportId::ROOT, &window, None, window.theme(), None);
        input.init_accesskit(event_loop, &window, self.proxy.clone());
        let (device, painter) = self.make_painter(event_loop, &window)?;
        if let Some(side) = painter.max_texture_side() {
            input.set_max_texture_side(side);
        }
        window.set_visible(true);
        Ok(Face { window, input, painter, device, ready: Some(Instant::now()) })
    }

    fn make_painter(
        &mut self,
        event_loop: &ActiveEventLoop,
        window: &Arc<Window>,
    ) -> Result<(Arc<Device>, Painter), AppError> {
        let display = Box::new(event_loop.owned_display_handle());
        let instance = Device::instance(wgpu::InstanceDescriptor::new_with_display_handle_from_env(display));
        let device = {
            let surface = instance
                .create_surface(window.clone())
                .map_err(|error| AppError::NoDisplay(error.to_string()))?;
            Arc::new(Device::for_surface(instance, &surface, DeviceOptions::default())?)
        };
        let setup = WgpuSetup::Existing(WgpuSetupExisting {
            instance: device.instance.clone(),
            adapter: device.adapter.clone(),
            device: device.device.clone(),
            queue: device.queue.clone(),
        });
        let configuration = WgpuConfiguration { wgpu_setup: setup, ..WgpuConfiguration::default() };
        // Noise against banding has no place in pictures that are measured.
        let renderer = RendererOptions { dithering: false, ..RendererOptions::default() };
        let painter = Painter::new(self.ctx.clone(), configuration, false, renderer);
        let mut painter = pollster::block_on(painter);
        pollster::block_on(painter.set_window(ViewportId::ROOT, Some(window.clone())))
            .map_err(|error| AppError::NoDisplay(error.to_string()))?;
        // A program that plays graphics processor is slower at this than the sampler is.
        let plain = device.is_software() && std::env::var_os("NARROWS_DRAW_WITH_ADAPTER").is_none();
        match painter.render_state() {
            Some(state) if plain => self.desk.use_device_for_context(device.clone(), state.target_format),
            Some(state) => self.desk.use_device(device.clone(), state.target_format),
            None => self.desk.use_processor(),
        }
        Ok((device, painter))
    }

    fn draw(&mut self, event_loop: &ActiveEventLoop) {
        self.due = None;
        if self.face.as_ref().is_some_and(|face| face.device.is_lost()) && !self.bring_back(event_loop) {
            return;
        }
        let Some(face) = &mut self.face else { return };
        if face.window.is_minimized() == Some(true) {
            return;
        }
        let begun = Instant::now();
        let mut raw = face.input.take_egui_input(&face.window);
        let later = after_release(&mut raw.events);
        if !later.is_empty() {
            face.input.egui_input_mut().events = later;
            face.window.request_redraw();
        }
        let desk = &mut self.desk;
        let mut output = self.ctx.run_ui(raw, |ui| desk.ui(ui));
        self.mirror.note(&output.textures_delta);
        // The window is cleared to their colour; where graphics are software, each pixel that is filled once more is felt.
        output.shapes.retain(|clipped| !is_background(&clipped.shape));
        self.desk.lighten(&mut output.shapes);
        face.input.handle_platform_output_with_event_loop(&face.window, event_loop, output.platform_output);
        let primitives = self.ctx.tessellate(output.shapes, output.pixels_per_point);
        face.painter.paint_and_update_textures(
            ViewportId::ROOT,
            output.pixels_per_point,
            background(),
            &primitives,
            &mut output.textures_delta,
            Vec::new(),
            &face.window,
        );
        tracing::debug!(target: "narrows::frame", milliseconds = begun.elapsed().as_secs_f64() * 1000.0);
        if self.given_up_at.is_some_and(|when| when <= Instant::now()) {
            self.given_up_at = None;
            face.device.give_up();
            face.window.request_redraw();
        }
        if let Some(when) = self.given_up_at {
            self.due = Some(self.due.map_or(when, |due| due.min(when)));
        }
        if self.desk.is_seen()
            && let Some(ready) = face.ready.take()
        {
            let milliseconds = ready.elapsed().as_secs_f64() * 1000.0;
            tracing::debug!(target: "narrows::first", milliseconds, "the cuts of the first volume are seen");
        }
        let title = self.desk.title();
        if title != self.title {
            face.window.set_title(&title);
            self.title = title;
        }
        if self.desk.has_ended() {
            event_loop.exit();
        }
    }

    /// Makes the device again after it was lost; the work is in the desk, which did not notice
    fn bring_back(&mut self, event_loop: &ActiveEventLoop) -> bool {
        self.desk.let_go_of_devices();
        let reason = self.face.as_ref().and_then(|face| face.device.lost()).unwrap_or_default();
        tracing::warn!(reason, "the graphics device was lost and is made anew");
        let Some(window) = self.face.as_ref().map(|face| face.window.clone()) else { return false };
        match self.make_painter(event_loop, &window) {
            Ok((device, painter)) => {
                if let Some(face) = &mut self.face {
                    face.device = device;
                    face.painter = painter;
                    // The letters and pictures that lay in the textures of the one that was lost.
                    face.painter.paint_and_update_textures(
                        ViewportId::ROOT,
                        self.ctx.pixels_per_point(),
                        background(),
                        &[],
                        &mut self.mirror.whole(),
                        Vec::new(),
                        &face.window,
                    );
                }
                true
            }
            Err(error) => {
                self.fail(event_loop, error);
                false
            }
        }
    }

    fn fail(&mut self, event_loop: &ActiveEventLoop, error: AppError) {
        self.desk.end();
        self.error = Some(error);
        event_loop.exit();
    }
}

impl ApplicationHandler<Call> for Shell {
    fn resumed(&mut self, event_loop: &ActiveEventLoop) {
        if self.face.is_some() {
            return;
        }
        match self.make_face(event_loop) {
            Ok(face) => {
                face.window.request_redraw();
                self.face = Some(face);
            }
            Err(error) => self.fail(event_loop, error),
        }
    }

    fn user_event(&mut self, _: &ActiveEventLoop, call: Call) {
        match call {
            Call::Repaint(when) => self.due = Some(self.due.map_or(when, |due| due.min(when))),
            Call::Reader(event) => {
                let Some(face) = &mut self.face else { return };
                match event.window_event {
                    egui_winit::accesskit_winit::WindowEvent::InitialTreeRequested => {
                        self.ctx.enable_accesskit();
                        face.window.request_redraw();
                    }
                    egui_winit::accesskit_winit::WindowEvent::ActionRequested(request) => {
                        face.input.on_accesskit_action_request(request);
                        face.window.request_redraw();
                    }
                    egui_winit::accesskit_winit::WindowEvent::AccessibilityDeactivated => {
                        self.ctx.disable_accesskit();
                    }
                }
            }
        }
    }

    fn window_event(&mut self, event_loop: &ActiveEventLoop, _: WindowId, event: WindowEvent) {
        let Some(face) = &mut self.face else { return };
        match &event {
            WindowEvent::RedrawRequested => return self.draw(event_loop),
            WindowEvent::CloseRequested => {
                self.desk.end();
                event_loop.exit();
                return;
            }
            WindowEvent::Resized(size) => {
                if let (Some(width), Some(height)) =
                    (NonZeroU32::new(size.width), NonZeroU32::new(size.height))
                {
                    face.painter.on_window_resized(ViewportId::ROOT, width, height);
                }
            }
            _ => {}
        }
        if face.input.on_window_event(&face.window, &event).repaint {
            face.window.request_redraw();
        }
    }

    fn about_to_wait(&mut self, event_loop: &ActiveEventLoop) {
        match self.due {
            Some(due) if due <= Instant::now() => {
                self.due = None;
                if let Some(face) = &self.face {
                    face.window.request_redraw();
                }
                event_loop.set_control_flow(ControlFlow::Wait);
            }
            Some(due) => event_loop.set_control_flow(ControlFlow::WaitUntil(due)),
            None => event_loop.set_control_flow(ControlFlow::Wait),
        }
    }

    fn exiting(&mut self, _: &ActiveEventLoop) {
        self.desk.end();
        self.desk.let_go_of_devices();
        // The surface must go before the display it was made on.
        self.face = None;
    }
}

/// Takes out what comes after a button was let go and the pointer moved on: it belongs to the next frame, since the
/// views look where the pointer is at the end of one, and a drag ends where it was let go
fn after_release(events: &mut Vec<Event>) -> Vec<Event> {
    let mut let_go = false;
    let next = events.iter().position(|event| {
        let_go |= matches!(event, Event::PointerButton { pressed: false, .. });
        let_go && matches!(event, Event::PointerMoved(_))
    });
    next.map_or_else(Vec::new, |next| events.split_off(next))
}

#[cfg(test)]
mod tests {
    use egui::{Event, Modifiers, PointerButton, pos2};

    use super::{after_release, reason};

    #[test]
    fn a_reason_names_no_place_in_anybodys_source() {
        assert_eq!(
            reason("os error at /home/a/linux/mod.rs:765: DISPLAY is not set."),
            "DISPLAY is not set."
        );
        assert_eq!(reason("not supported: here"), "not supported: here");
    }

    #[test]
    fn a_drag_ends_where_it_was_let_go() {
        let moved = |x| Event::PointerMoved(pos2(x, 0.0));
        let button = |pressed, x| Event::PointerButton {
            pos: pos2(x, 0.0),
            button: PointerButton::Primary,
            pressed,
            modifiers: Modifiers::NONE,
        };
        let all = [button(true, 1.0), moved(5.0), button(false, 5.0), moved(90.0), button(true, 90.0)];
        let mut events = all.to_vec();
        assert_eq!(after_release(&mut events), all[3..]);
        assert_eq!(events, all[..3]);
        // What is left over goes whole into the next frame.
        let mut events = all[3..].to_vec();
        assert!(after_release(&mut events).is_empty() && events == all[3..]);
    }
}
