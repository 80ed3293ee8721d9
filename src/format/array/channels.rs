//! Channels from the components of an array, and what their codes mean.

use super::ArrayError;
use super::codes::Component;
use super::scales::{self, Facts};
use super::sidecar::PowerWords;
use crate::format::Notes;
use crate::unit::MetresPerSecond;
use crate::volume::{Channel, ChannelKind, PowerScale, ScaleError, VelocityScale};

/// Channels that were made
#[derive(Default)]
pub(super) struct Made {
    pub(super) channels: Vec<Channel>,
    /// What a velocity code means, where there is a velocity channel
    pub(super) velocity: Option<VelocityScale>,
    pub(super) power: PowerScale,
}

impl Made {
    /// Adds the channel that a component is
    ///
    /// # Errors
    /// See [`ArrayError`].
    pub(super) fn add(
        &mut self,
        kind: ChannelKind,
        component: &Component<'_>,
        facts: &Facts<'_>,
        power: Option<PowerWords>,
        notes: &mut Notes,
    ) -> Result<(), ArrayError> {
        let samples = match kind {
            ChannelKind::Velocity => {
                let (samples, scale) = scales::velocity(component, facts, notes)?;
                self.velocity = Some(scale);
                samples
            }
            ChannelKind::Power => {
                let (samples, scale) = scales::power(component, power, notes)?;
                self.power = scale;
                samples
            }
            ChannelKind::Tissue | ChannelKind::Variance => {
                scales::plain(component, &kind.to_string(), notes)?
            }
        };
        self.channels.push(Channel::new(kind, samples));
        Ok(())
    }

    /// The velocity scale; one that means nothing where there is no velocity
    ///
    /// # Errors
    /// [`ScaleError`], where the first channel has no bits.
    pub(super) fn velocity_scale(&self) -> Result<VelocityScale, ScaleError> {
        let bits = self.channels.first().map_or(8, |channel| channel.samples().bits());
        let nothing = || VelocityScale::full_cycle(bits, 1 << (bits - 1), MetresPerSecond::new(1.0));
        self.velocity.map_or_else(nothing, Ok)
    }
}
