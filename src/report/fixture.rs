//! A made-up volume and results to draw, for tests only.

use crate::measure::own_evidence;
use crate::measure::results::*;
use crate::severity::{Criteria, Evidence, grade};
use crate::space::{Grid, VolumePoint, VoxelPoint};
use crate::unit::{MetresPerSecond, Seconds};
use crate::volume::{Channel, ChannelKind, Provenance, Samples, Scale, Timeline, VelocityScale, Volume4};

const SHAPE: [usize; 3] = [60, 60, 56];
const FRAMES: usize = 6;
/// The neck lies here, and the flow runs along -z, toward a probe at z = -40
const NECK: [f64; 3] = [15.0, 14.5, 14.0];

/// A crescent jet toward the probe
pub(crate) fn volume() -> Volume4 {
    let grid = Grid::axis_aligned(SHAPE, [0.5; 3], [0.0; 3]).unwrap();
    let scale = VelocityScale::full_cycle(8, 116, MetresPerSecond::new(0.6)).unwrap();
    let (mut tissue, mut flow) = (Vec::new(), Vec::new());
    for frame in 0..FRAMES {
        let open = (1..5).contains(&frame);
        for z in 0..SHAPE[2] {
            for y in 0..SHAPE[1] {
                for x in 0..SHAPE[0] {
                    let p = grid.volume_from_voxel(VoxelPoint::new(x as f64, y as f64, z as f64)).to_array();
                    let along = NECK[2] - p[2];
                    let noise = ((x * 7919 + y * 104_729 + z * 1299 + frame * 31) % 97) as f64 / 97.0;
                    let plate = (p[2] - NECK[2] - 1.5).abs() < 1.3;
                    let spread = 1.0 + 0.09 * along.max(0.0) + 0.02 * along.min(0.0).powi(2);
                    let (dx, dy) = ((p[0] - NECK[0]) / spread, (p[1] - NECK[1] + 4.0) / spread);
                    let (radius, angle) = (libm::hypot(dx, dy), libm::atan2(dx, dy).abs());
                    let inside = (radius - 5.0).abs() < 1.7 && angle < 1.0;
                    let near = (radius - 5.0).abs() < 3.0 && angle < 1.25;
                    let velocity = if !open || p[2] > NECK[2] + 9.0 {
                        0.0
                    } else if inside {
                        4.6 + 0.7 * noise
                    } else if near && !plate {
                        0.25 + 0.5 * (3.0 - (radius - 5.0).abs())
                    } else {
                        0.0
                    };
                    flow.push(scale.code(MetresPerSecond::new(velocity)));
                    tissue.push(if plate { 120.0 + 80.0 * noise } else { 12.0 + 26.0 * noise } as u8);
                }
            }
        }
    }
    let voxels = grid.voxels();
    let flow: Vec<u8> = flow.into_iter().map(|code| code as u8).collect();
    Volume4::new(
        grid,
        Timeline::regular(FRAMES, Seconds::new(0.05)).unwrap(),
        Some(VolumePoint::new(15.0, 20.0, -40.0)),
        Provenance { file: "made-up.dcm".into(), ..Provenance::default() },
        vec![
            Channel::new(Scale::Tissue, Samples::from_u8(tissue, FRAMES, voxels).unwrap()),
            Channel::new(Scale::Velocity(scale), Samples::from_u8(flow, FRAMES, voxels).unwrap()),
        ],
    )
    .unwrap()
}

fn around(value: f64, half: f64) -> Interval {
    Interval { value, low: value - half, high: value + half }
}

fn convergence() -> Convergence {
    let surface = |speed_m_s: f64, flow_ml_s: f64, counted| ConvergenceSurface {
        speed_m_s,
        area_mm2: flow_ml_s / speed_m_s * 1.04,
        seen_percent: 47.5,
        flow_ml_s,
        radius_mm: Some((0.7 * flow_ml_s / speed_m_s / std::f64::consts::TAU).sqrt()),
        hemisphere_ml_s: Some(0.7 * flow_ml_s),
        counted,
    };
    Convergence {
        reason: None,
        frame: Some(2),
        frames: vec![ConvergenceFrame {
            frame: 2,
            time_s: 0.1,
            flow_ml_s: Interval { value: 184.5, low: 141.5, high: 227.5 },
        }],
        flow_ml_s: Some(Interval { value: 184.5, low: 141.5, high: 227.5 }),
        eroa_mm2: Some(Interval { value: 36.9, low: 28.3, high: 45.5 }),
        spread_percent: Some(5.6),
        centre_mm: Some([NECK[0], NECK[1], NECK[2] + 3.5]),
        upstream_mm: Some(3.5),
        alias_m_s: Some(0.54),
        surfaces: vec![
            surface(0.27, 171.0, Counted::Yes),
            surface(0.54, 184.5, Counted::Yes),
            surface(0.86, 193.0, Counted::Yes),
            surface(1.08, 214.0, Counted::Near),
        ],
        hemisphere: Some(Hemisphere {
            speed_m_s: 0.54,
            radius_mm: 6.2,
            flow_ml_s: 129.2,
            eroa_mm2: Some(25.8),
            error_percent: -30.0,
        }),
        agreement_percent: Some(96.2),
    }
}

/// Its area
const VCA: Interval = Interval { value: 41.25, low: 35.5, high: 47.75 };

fn jet() -> JetResult {
    let mut tracing_mm = Vec::new();
    for i in 0..=24 {
        let angle = -1.0 + f64::from(i) / 12.0;
        tracing_mm.push([NECK[0] + 6.7 * libm::sin(angle), NECK[1] - 4.0 + 6.7 * libm::cos(angle), NECK[2]]);
    }
    for i in (0..=24).rev() {
        let angle = -1.0 + f64::from(i) / 12.0;
        tracing_mm.push([NECK[0] + 3.3 * libm::sin(angle), NECK[1] - 4.0 + 3.3 * libm::cos(angle), NECK[2]]);
    }
    let frames = (0..FRAMES)
        .map(|frame| FrameResult {
            plane: None,
            hidden: false,
            frame,
            time_s: 0.05 * frame as f64,
            vca_mm2: match frame {
                1 => Some(around(30.5, 5.25)),
                2 => Some(VCA),
                3 => Some(around(38.25, 6.0)),
                4 => Some(around(22.75, 4.5)),
                _ => None,
            },
            neck_mm: (1..5).contains(&frame).then_some(NECK),
            traced_at_mm: (1..5).contains(&frame).then_some(NECK),
            axis: (1..5).contains(&frame).then_some([0.0, 0.0, -1.0]),
        })
        .collect();
    JetResult {
        id: 1,
        axis: [0.0, 0.0, -1.0],
        axis_uncertainty_deg: 3.5,
        neck_mm: NECK,
        traced_at_mm: NECK,
        peak_frame: 2,
        beam_angle_deg: Some(6.5),
        components: Components {
            convergence: Seen::Found,
            contraction: Seen::Found,
            expansion: Seen::Missing,
        },
        neck_profile: (-8..=20)
            .map(|i| {
                let position_mm = 0.5 * f64::from(i);
                let area = 48.5 + 1.1 * position_mm * position_mm * if i < 0 { 3.0 } else { 0.4 };
                ProfilePoint { position_mm, area_mm2: (i != 14).then_some(area) }
            })
            .collect(),
        vca_mm2: VCA,
        displayed_area_mm2: Some(Interval { value: 48.5, low: 41.5, high: 56.0 }),
        traced_area_mm2: 48.5,
        tracing_mm,
        width_mm: Widths {
            long_axis: Interval { value: 3.4, low: 2.9, high: 3.9 },
            commissural: Interval { value: 11.3, low: 10.6, high: 12.1 },
            long_axis_direction: [0.0, 1.0, 0.0],
            displayed_long_axis: Some(3.4),
            axes_assumed: true,
        },
        circle_area_mm2: 9.08,
        ellipse_area_mm2: 30.17,
        shape: Shape {
            class: ShapeClass::Crescent,
            axis_ratio: 2.27,
            circularity: 0.44,
            solidity: 0.71,
            feret_max_mm: 11.9,
            feret_min_mm: 5.24,
            perimeter_mm: 26.8,
        },
        single_width: SingleWidth { error_percent: -78.0, misleads: true },
        frames,
        systole: Systole {
            pattern: Pattern::Holosystolic,
            present_fraction: 0.82,
            mean_vca_mm2: 27.3,
            integral_mm2_s: 6.64,
            bounds_s: [0.02, 0.24],
            peak_overstates_percent: 51.0,
            velocity_weighted_mean_mm2: Some(around(33.5, 5.5)),
        },
        arms: None,
        interval_parts: vec![
            IntervalPart { source: "blooming".into(), effect_mm2: 5.1 },
            IntervalPart { source: "direction of the jet axis".into(), effect_mm2: 2.4 },
        ],
        observer: vec![ObserverChange {
            what: "the level moved by 1 mm".into(),
            mean_mm2: 1.7,
            largest_mm2: 3.3,
        }],
        reading: Reading::default(),
        convergence: convergence(),
    }
}

fn trust() -> Trust {
    Trust {
        verdict: Verdict::Limited,
        findings: vec![
            Finding {
                code: "nyquist".into(),
                verdict: Verdict::Adequate,
                value: Some(0.6),
                unit: "m/s".into(),
                limit: Some(0.8),
                message: "The Nyquist limit lets the core alias.".into(),
            },
            Finding {
                code: "frame-interval".into(),
                verdict: Verdict::Limited,
                value: Some(50.0),
                unit: "ms".into(),
                limit: Some(40.0),
                message: "Frames are far apart: the peak may fall between two of them.".into(),
            },
        ],
        stitch: Some(Stitch {
            axis: 0,
            plane: 19,
            score: 3.25,
            limit: 2.2,
            scores: (0..SHAPE[0] - 1)
                .map(|plane| {
                    let usual = 1.0 + 0.3 * libm::sin(plane as f64);
                    (plane > 0).then_some(if plane == 19 { 3.25 } else { usual })
                })
                .collect(),
        }),
    }
}

/// Results as a measurement of [`volume`] might give them
pub(crate) fn results() -> Results {
    let volume = volume();
    let (low, high) = volume.velocity_scale().unwrap().limits();
    let mut results = Results {
        schema: SCHEMA.into(),
        tool: Tool { version: "0.1.0".into(), engine: "1".into() },
        source: Source {
            file: "made-up.dcm".into(),
            blake3: "00ff".repeat(16),
            format: "DICOM Enhanced US Volume".into(),
            channels: vec![ChannelKind::Tissue, ChannelKind::Velocity],
            grid: SHAPE,
            voxel_mm: [0.5; 3],
            frames: FRAMES,
            frame_interval_s: Some(0.05),
            nyquist_m_s: 0.6,
            velocity_limits_m_s: [low.get(), high.get()],
            assumed: vec!["the first frame is taken to be at the R wave".into()],
        },
        given: crate::measure::results::Given::default(),
        trust: trust(),
        jets: vec![jet()],
        total: Total {
            vca_mm2: VCA,
            displayed_area_mm2: Some(Interval { value: 48.5, low: 41.5, high: 56.0 }),
            velocity_weighted_mean_mm2: Some(around(33.5, 5.5)),
            frame: Some(2),
            regurgitant_volume_ml: None,
            cw_envelope: None,
        },
        severity: None,
        cautions: vec!["The long-axis direction was assumed.".into()],
    };
    let evidence = Evidence::from_text(EVIDENCE).unwrap();
    results.severity = Some(grade(&Criteria::default(), &evidence, &own_evidence(&results)));
    results
}

/// What a reader might know beside that volume
const EVIDENCE: &str = r#"
schema = "narrows/evidence/1"
mechanism = "secondary"
leaflet = "severe_tenting"
pisa_eroa_mm2 = { value = 24, low = 19, high = 29, note = "transthoracic" }
regurgitant_volume_ml = { value = 66, error = 5 }
regurgitant_fraction_percent = { value = 56, low = 51, high = 61 }
vc_width_mm = { value = 6, error = 0.8 }
cw_density = "dense"
cw_contour = "triangular"
pulmonary_vein_flow = "systolic_blunting"
e_wave_m_s = 1.3
lv_size = "dilated"
la_size = "dilated"
"#;
