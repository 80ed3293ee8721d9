//! The shaders as text: each with its viewport's corners before it, and one that reads a volume with the reading functions.

/// One shader: its name in messages and its whole text
pub(super) struct Shader {
    pub(super) name: &'static str,
    pub(super) text: &'static str,
    /// Whether it reads a volume, as the device's tier allows
    pub(super) over_volume: bool,
}

macro_rules! over_volume {
    ($name:literal) => {
        Shader {
            name: $name,
            text: concat!(
                include_str!("../../shaders/corner.wgsl"),
                include_str!("../../shaders/volume.wgsl"),
                include_str!(concat!("../../shaders/", $name, ".wgsl"))
            ),
            over_volume: true,
        }
    };
}

pub(super) const CUT: Shader = over_volume!("cut");
pub(super) const CONTEXT: Shader = over_volume!("context");
pub(super) const COPY: Shader = Shader {
    name: "copy",
    text: concat!(include_str!("../../shaders/corner.wgsl"), include_str!("../../shaders/copy.wgsl")),
    over_volume: false,
};

/// All shaders, for the test that validates them
#[cfg(test)]
pub(super) const ALL: [&Shader; 3] = [&CUT, &CONTEXT, &COPY];

impl Shader {
    /// The compiled module on a device
    pub(super) fn module(&self, device: &super::wgpu::Device) -> super::wgpu::ShaderModule {
        device.create_shader_module(super::wgpu::ShaderModuleDescriptor {
            label: Some(self.name),
            source: super::wgpu::ShaderSource::Wgsl(self.text.into()),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gpu::wgpu::naga;

    #[test]
    fn every_shader_file_is_valid() {
        // Every file in the folder is in the list (corner.wgsl and volume.wgsl are in front of others).
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/shaders");
        let mut names: Vec<String> = std::fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        let mut listed: Vec<String> = ALL.iter().map(|shader| format!("{}.wgsl", shader.name)).collect();
        // The flow solver's is validated where it is used.
        listed.extend(["corner.wgsl".into(), "flow.wgsl".into(), "volume.wgsl".into()]);
        listed.sort();
        assert_eq!(names, listed);

        for shader in ALL {
            let module = naga::front::wgsl::parse_str(shader.text)
                .unwrap_or_else(|error| panic!("{}: {}", shader.name, error.emit_to_string(shader.text)));
            let mut validator = naga::valid::Validator::new(
                naga::valid::ValidationFlags::all(),
                naga::valid::Capabilities::empty(),
            );
            validator.validate(&module).unwrap_or_else(|error| panic!("{}: {error:?}", shader.name));
            assert!(!module.entry_points.is_empty());
        }
    }

    #[test]
    fn the_validation_is_not_blind() {
        let broken = CUT.text.replace("flow.coloured, echo_at(voxel));", "flow, echo_at(voxel));");
        assert_ne!(broken, CUT.text);
        let module = naga::front::wgsl::parse_str(&broken);
        let valid = module.map(|module| {
            naga::valid::Validator::new(
                naga::valid::ValidationFlags::all(),
                naga::valid::Capabilities::empty(),
            )
            .validate(&module)
            .is_ok()
        });
        assert!(!valid.unwrap_or(false));
    }
}
