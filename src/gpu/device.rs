//! The graphics device: made in one place for the window, the command line and the tests.
//!
//! Two named tiers instead of questions about features all over the code. What keeps a device out
//! of the upper tier is kept in words, to be shown to the user. Errors that the driver reports
//! later, and the loss of the device, are written down instead of ending the program; the owner
//! asks [`Device::is_lost`] once a frame and, if so, makes a new device and calls
//! [`super::VolumeTextures::rebuild`]: everything on the old device can be made again from the
//! [`crate::volume::Volume4`], so nothing of the user's work lives there.

use std::sync::{Arc, Mutex, PoisonError};

use super::wgpu;

/// What a device is good for
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Tier {
    /// Every neighbour is loaded and weighed in the shader
    Plain,
    /// The hardware filters volumes
    Filtered,
}

impl std::fmt::Display for Tier {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Plain => "plain",
            Self::Filtered => "filtered",
        })
    }
}

/// What to ask of a device
#[derive(Clone, Copy, Debug, Default)]
pub struct DeviceOptions {
    /// The highest tier to use, whatever the device could do; `None` for the best there is
    pub at_most: Option<Tier>,
}

/// Why graphics failed
#[derive(Debug, thiserror::Error)]
pub enum GpuError {
    /// No adapter, software ones included
    #[error(
        "no graphics adapter was found ({0}); on Debian `apt install libvulkan1 mesa-vulkan-drivers` \
         adds one in software, and `narrows measure` needs none"
    )]
    NoAdapter(String),
    /// The adapter gave no device
    #[error("the graphics adapter {adapter} gave no device: {reason}")]
    NoDevice {
        /// Name of the adapter
        adapter: String,
        /// What the driver said
        reason: String,
    },
    /// A side of the volume is longer than the device's textures can be
    #[error(
        "a volume of {shape:?} voxels is too large for this graphics device, whose limit is {limit} a side"
    )]
    TooLarge {
        /// Voxels along x, y, z
        shape: [usize; 3],
        /// Longest side
        limit: u32,
    },
    /// The volume has no such frame
    #[error("there is no frame {frame}: the volume has {frames}")]
    NoFrame {
        /// The frame asked for
        frame: usize,
        /// Frames there are
        frames: usize,
    },
    /// A picture has no pixels or more than the device can hold
    #[error("a picture of {width} x {height} pixels cannot be drawn: the limit is {limit} a side")]
    PictureSize {
        /// Columns
        width: u32,
        /// Rows
        height: u32,
        /// Longest side
        limit: u32,
    },
    /// The device ran out of memory, was lost or refused a command
    #[error("the graphics device failed while {doing}: {reason}")]
    Failed {
        /// What was being done
        doing: &'static str,
        /// What the driver said
        reason: String,
    },
}

/// A graphics device with its queue
pub struct Device {
    /// The instance it came from; surfaces are made with it
    pub instance: wgpu::Instance,
    /// The adapter
    pub adapter: wgpu::Adapter,
    /// The device
    pub device: wgpu::Device,
    /// Its queue
    pub queue: wgpu::Queue,
    tier: Tier,
    missing: Vec<String>,
    timestamps: bool,
    log: Arc<Log>,
}

/// What the driver reported on its own account
#[derive(Default)]
struct Log {
    lost: Mutex<Option<String>>,
    errors: Mutex<Vec<String>>,
}

/// Errors kept; a driver that fails every frame must not fill the memory
const KEPT_ERRORS: usize = 32;

impl Device {
    /// A device without a window
    ///
    /// The environment variables `WGPU_BACKEND` and `WGPU_ADAPTER_NAME` are honoured.
    ///
    /// # Errors
    /// [`GpuError::NoAdapter`], [`GpuError::NoDevice`].
    pub fn headless(options: DeviceOptions) -> Result<Self, GpuError> {
        let descriptor = wgpu::InstanceDescriptor::new_without_display_handle_from_env();
        Self::make(Self::instance(descriptor), None, options)
    }

    /// An instance that compiles no check of draws whose extent a buffer tells: there are none
    pub fn instance(mut descriptor: wgpu::InstanceDescriptor) -> wgpu::Instance {
        descriptor.flags.remove(wgpu::InstanceFlags::VALIDATION_INDIRECT_CALL);
        wgpu::Instance::new(descriptor)
    }

    /// A device that can draw to a window's surface, which must come from `instance`
    ///
    /// # Errors
    /// [`GpuError::NoAdapter`], [`GpuError::NoDevice`].
    pub fn for_surface(
        instance: wgpu::Instance,
        surface: &wgpu::Surface<'_>,
        options: DeviceOptions,
    ) -> Result<Self, GpuError> {
        Self::make(instance, Some(surface), options)
    }

    fn make(
        instance: wgpu::Instance,
        surface: Option<&wgpu::Surface<'_>>,
        options: DeviceOptions,
    ) -> Result<Self, GpuError> {
        let asked = wgpu::RequestAdapterOptions {
            power_preference: wgpu::PowerPreference::HighPerformance,
            compatible_surface: surface,
            ..Default::default()
        };
        let adapter = pollster::block_on(async {
            match wgpu::util::initialize_adapter_from_env(&instance, surface).await {
                Ok(named) => Ok(named),
                Err(_) => instance.request_adapter(&asked).await,
            }
        })
        .map_err(|error| GpuError::NoAdapter(error.to_string()))?;
        let info = adapter.get_info();
        let (able, missing) = able_tier(&adapter);
        let tier = options.at_most.map_or(able, |most| most.min(able));
        let timing = wgpu::Features::TIMESTAMP_QUERY | wgpu::Features::TIMESTAMP_QUERY_INSIDE_ENCODERS;
        let timestamps = adapter.features().contains(timing);
        let asked = wgpu::DeviceDescriptor {
            label: Some("narrows"),
            required_features: if timestamps { timing } else { wgpu::Features::empty() },
            required_limits: adapter.limits(),
            memory_hints: wgpu::MemoryHints::MemoryUsage,
            ..Default::default()
        };
        let (device, queue) = pollster::block_on(adapter.request_device(&asked))
            .map_err(|error| GpuError::NoDevice { adapter: info.name, reason: error.to_string() })?;

        let log = Arc::new(Log::default());
        let kept = log.clone();
        device.set_device_lost_callback(move |reason, message| {
            *kept.lost.lock().unwrap_or_else(PoisonError::into_inner) =
                Some(format!("{reason:?}: {message}"));
        });
        let kept = log.clone();
        device.on_uncaptured_error(Arc::new(move |error: wgpu::Error| {
            let mut errors = kept.errors.lock().unwrap_or_else(PoisonError::into_inner);
            if errors.len() < KEPT_ERRORS {
                errors.push(error.to_string());
            }
        }));
        Ok(Self { instance, adapter, device, queue, tier, missing, timestamps, log })
    }

    /// What the device is used for
    pub fn tier(&self) -> Tier {
        self.tier
    }

    /// What keeps the device out of the upper tier, a sentence each; empty where nothing does
    pub fn missing(&self) -> &[String] {
        &self.missing
    }

    /// Whether the device can time its own work
    pub fn has_timestamps(&self) -> bool {
        self.timestamps
    }

    /// Whether the adapter is a program on the processor
    pub fn is_software(&self) -> bool {
        self.adapter.get_info().device_type == wgpu::DeviceType::Cpu
    }

    /// The adapter, its interface and the tier in one line
    pub fn words(&self) -> String {
        let info = self.adapter.get_info();
        format!("{} ({:?}, {} tier)", info.name, info.backend, self.tier)
    }

    /// Why the device was lost, if it was; ask once a frame
    pub fn lost(&self) -> Option<String> {
        self.log.lost.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Whether the device was lost: then make another and rebuild the textures
    pub fn is_lost(&self) -> bool {
        self.lost().is_some()
    }

    /// Gives the device up, as a driver does that crashed: what was on it is lost
    pub fn give_up(&self) {
        self.device.destroy();
        // The loss is told once the device's work has come to its end; a failure to wait is a loss too.
        let _ = self.wait();
    }

    /// The errors the driver reported since they were last taken, oldest first, 32 at most
    pub fn take_errors(&self) -> Vec<String> {
        std::mem::take(&mut *self.log.errors.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Waits until all submitted work is done
    ///
    /// # Errors
    /// [`GpuError::Failed`] where the device is lost.
    pub fn wait(&self) -> Result<(), GpuError> {
        self.device
            .poll(wgpu::PollType::wait_indefinitely())
            .map(|_| ())
            .map_err(|error| GpuError::Failed { doing: "waiting for it", reason: error.to_string() })
    }

    /// The first error reported while `doing`, or the loss of the device, as an error
    pub(super) fn check(&self, doing: &'static str) -> Result<(), GpuError> {
        if let Some(reason) = self.lost() {
            return Err(GpuError::Failed { doing, reason });
        }
        match self.take_errors().into_iter().next() {
            Some(reason) => Err(GpuError::Failed { doing, reason }),
            None => Ok(()),
        }
    }
}

impl std::fmt::Debug for Device {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Device({})", self.words())
    }
}

fn able_tier(adapter: &wgpu::Adapter) -> (Tier, Vec<String>) {
    let mut missing = Vec::new();
    for format in [super::textures::ECHO_FORMAT, super::textures::FLOW_FORMAT] {
        let features = adapter.get_texture_format_features(format);
        if !features.flags.contains(wgpu::TextureFormatFeatureFlags::FILTERABLE) {
            missing.push(format!("the device does not filter volumes of {format:?} values"));
        }
    }
    (if missing.is_empty() { Tier::Filtered } else { Tier::Plain }, missing)
}
