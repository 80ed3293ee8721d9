//! How long the device worked on a list of commands, by its own clock.

use crate::unit::Seconds;

use super::target::map;
use super::{Device, GpuError, wgpu};

/// A pair of marks in a list of commands
pub struct Timer {
    queries: wgpu::QuerySet,
    resolved: wgpu::Buffer,
    read: wgpu::Buffer,
}

impl Timer {
    /// A timer; `None` where the device cannot time its work
    pub fn new(gpu: &Device) -> Option<Self> {
        if !gpu.has_timestamps() {
            return None;
        }
        let queries = gpu.device.create_query_set(&wgpu::QuerySetDescriptor {
            label: Some("timer"),
            ty: wgpu::QueryType::Timestamp,
            count: 2,
        });
        let buffer = |usage| {
            gpu.device.create_buffer(&wgpu::BufferDescriptor {
                label: Some("timer"),
                size: 16,
                usage: usage | wgpu::BufferUsages::COPY_DST,
                mapped_at_creation: false,
            })
        };
        let resolved = buffer(wgpu::BufferUsages::QUERY_RESOLVE | wgpu::BufferUsages::COPY_SRC);
        let read = buffer(wgpu::BufferUsages::MAP_READ);
        Some(Self { queries, resolved, read })
    }

    /// Marks the beginning
    pub fn begin(&self, encoder: &mut wgpu::CommandEncoder) {
        encoder.write_timestamp(&self.queries, 0);
    }

    /// Marks the end; the list of commands must be submitted before [`Timer::elapsed`]
    pub fn end(&self, encoder: &mut wgpu::CommandEncoder) {
        encoder.write_timestamp(&self.queries, 1);
        encoder.resolve_query_set(&self.queries, 0..2, &self.resolved, 0);
        encoder.copy_buffer_to_buffer(&self.resolved, 0, &self.read, 0, 16);
    }

    /// Waits for the commands and tells the time between the marks
    ///
    /// # Errors
    /// [`GpuError::Failed`].
    pub fn elapsed(&self, gpu: &Device) -> Result<Seconds, GpuError> {
        let bytes = map(gpu, &self.read)
            .map_err(|reason| GpuError::Failed { doing: "reading the device's clock", reason })?;
        let mark = |at: usize| {
            let mut word = [0; 8];
            word.copy_from_slice(&bytes[at..at + 8]);
            u64::from_le_bytes(word)
        };
        let ticks = mark(8).saturating_sub(mark(0));
        Ok(Seconds::new(ticks as f64 * f64::from(gpu.queue.get_timestamp_period()) * 1e-9))
    }
}
