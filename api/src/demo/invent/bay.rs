//! The water of one wash bay: a loop of pit and tanks that washing carries water out of, rain
//! and rinsing bring water into, and a float valve fills up in steps.
//!
//! Every step closes: what the loop holds changes by what came in less what went out.

/// How a bay and its unit are built.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Build {
    /// Volume at which the loop runs over into the sewer.
    pub(crate) full_l: f64,
    /// Volume at which the float opens the fill valve.
    pub(crate) fill_below_l: f64,
    /// Volume between the floats.
    pub(crate) float_band_l: f64,
    /// Flow of the open fill valve.
    pub(crate) fill_l_per_h: f64,
    /// Flow of the sound transfer pump to the washers.
    pub(crate) pump_l_per_h: f64,
    /// Share of the washing water that leaves on the machines and as spray.
    pub(crate) carry_off: f64,
    /// Share of the treated water that leaves with the sludge.
    pub(crate) sludge: f64,
    /// Wet surface that evaporates.
    pub(crate) surface_m2: f64,
    /// Area whose rain runs into the pit.
    pub(crate) catchment_m2: f64,
    /// Whether a diverter keeps rain out of the pit while nobody washes.
    pub(crate) diverter: bool,
    /// What blower, ozone and controls draw.
    pub(crate) base_kw: f64,
    /// What pumping and treating a cubic metre of washing water takes.
    pub(crate) kwh_per_m3: f64,
}

/// What is asked of the bay in one step.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Load {
    /// Length of the step.
    pub(crate) hours: f64,
    /// Whether the unit treats; otherwise the washers run on town water.
    pub(crate) in_loop: bool,
    /// Treated water wanted by the washers, waiting included.
    pub(crate) wash_l: f64,
    /// Fresh water wanted for rinsing, waiting included.
    pub(crate) rinse_l: f64,
    /// Rain on the catchment that gets past the first wetting.
    pub(crate) rain_mm: f64,
    /// Whether the bay is in use, so that a diverter lets rain in.
    pub(crate) in_use: bool,
    /// Evaporation from the wet surface.
    pub(crate) evaporation_mm: f64,
    /// Water through a fill valve that does not close.
    pub(crate) passing_l_per_h: f64,
    /// What is left of the transfer pump's flow, from 0 to 1.
    pub(crate) pump_health: f64,
}

/// What went where in one step, in litres, kWh and hours.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Flows {
    /// Fresh water through the float valve.
    pub(crate) makeup_l: f64,
    /// Treated water to the washers.
    pub(crate) wash_l: f64,
    /// Fresh water used directly.
    pub(crate) rinse_l: f64,
    /// Fresh water to the washers while the unit is out of the loop.
    pub(crate) bypass_l: f64,
    /// Rain kept.
    pub(crate) rain_l: f64,
    /// Evaporated.
    pub(crate) evaporated_l: f64,
    /// Gone with the machines and as spray.
    pub(crate) carried_off_l: f64,
    /// Gone with the sludge.
    pub(crate) sludge_l: f64,
    /// Run over into the sewer.
    pub(crate) overflow_l: f64,
    /// Electrical energy.
    pub(crate) energy_kwh: f64,
    /// Hours of the transfer pump.
    pub(crate) run_h: f64,
}

/// Share of the rain on wet concrete that runs off (common practice, no source).
const RUNOFF: f64 = 0.85;

/// The loop with what it holds.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Bay {
    pub(crate) build: Build,
    /// What pit and tanks hold.
    pub(crate) volume_l: f64,
    filling: bool,
}

impl Bay {
    pub(crate) fn new(build: Build, volume_l: f64) -> Self {
        Self { build, volume_l, filling: false }
    }

    /// Lets one step pass.
    pub(crate) fn step(&mut self, load: &Load) -> Flows {
        let build = self.build;
        let mut flows = Flows { energy_kwh: build.base_kw * load.hours, ..Flows::default() };
        self.wash(load, &mut flows);
        self.weather(load, &mut flows);
        self.fill(load, &mut flows);
        let over = (self.volume_l - build.full_l).max(0.0);
        flows.overflow_l = over;
        self.volume_l -= over;
        flows
    }

    /// The washing water runs back to the pit, but for what the machines carry off.
    fn wash(&mut self, load: &Load, flows: &mut Flows) {
        let build = self.build;
        let pump_l_per_h = build.pump_l_per_h * load.pump_health;
        flows.rinse_l = load.rinse_l;
        if load.in_loop {
            flows.wash_l = load.wash_l.min(pump_l_per_h * load.hours).min(self.volume_l);
            flows.sludge_l = build.sludge * flows.wash_l;
        } else {
            flows.bypass_l = load.wash_l;
        }
        let washed = flows.wash_l + flows.bypass_l + flows.rinse_l;
        flows.carried_off_l = build.carry_off * washed;
        flows.run_h = if pump_l_per_h > 0.0 { flows.wash_l / pump_l_per_h } else { 0.0 };
        flows.energy_kwh += build.kwh_per_m3 * flows.wash_l / 1000.0;
        self.volume_l += flows.bypass_l + flows.rinse_l - flows.carried_off_l - flows.sludge_l;
    }

    fn weather(&mut self, load: &Load, flows: &mut Flows) {
        if load.in_use || !self.build.diverter {
            flows.rain_l = RUNOFF * load.rain_mm * self.build.catchment_m2;
        }
        flows.evaporated_l = (load.evaporation_mm * self.build.surface_m2).min(self.volume_l);
        self.volume_l += flows.rain_l - flows.evaporated_l;
    }

    /// The valve opens at the lower float and closes at the upper one.
    fn fill(&mut self, load: &Load, flows: &mut Flows) {
        let build = self.build;
        let stop_l = build.fill_below_l + build.float_band_l;
        self.filling |= load.in_loop && self.volume_l < build.fill_below_l;
        let mut makeup = load.passing_l_per_h * load.hours;
        if self.filling {
            makeup += (build.fill_l_per_h * load.hours).min((stop_l - self.volume_l).max(0.0));
            self.filling = load.in_loop && self.volume_l + makeup < stop_l;
        }
        flows.makeup_l = makeup;
        self.volume_l += flows.makeup_l;
    }

    /// Pumps everything out.
    pub(crate) fn drain(&mut self) {
        self.filling = false;
        self.volume_l = 0.0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn build() -> Build {
        Build {
            full_l: 9000.0,
            fill_below_l: 6000.0,
            float_band_l: 300.0,
            fill_l_per_h: 1500.0,
            pump_l_per_h: 2000.0,
            carry_off: 0.15,
            sludge: 0.006,
            surface_m2: 15.0,
            catchment_m2: 60.0,
            diverter: true,
            base_kw: 0.8,
            kwh_per_m3: 1.2,
        }
    }

    fn hour() -> Load {
        Load { hours: 1.0, in_loop: true, pump_health: 1.0, ..Load::default() }
    }

    #[test]
    fn a_float_fills_in_steps_of_its_band() {
        let mut bay = Bay::new(build(), 6050.0);
        let washing = Load { wash_l: 400.0, ..hour() };
        let fills: Vec<f64> = (0..10).map(|_| bay.step(&washing).makeup_l).collect();
        // 62.4 L are lost an hour, so the valve opens in the first hour and then in the fifth.
        let opened: Vec<usize> = fills.iter().enumerate().filter(|(_, fill)| **fill > 0.0).map(|(n, _)| n).collect();
        assert_eq!(opened, [0, 5]);
        assert!((fills[0] - 312.4).abs() < 1e-9 && (fills[5] - 312.0).abs() < 1e-9, "{fills:?}");
    }

    #[test]
    fn rain_gets_past_a_diverter_only_in_use_and_runs_over_a_full_pit() {
        let mut bay = Bay::new(build(), 8990.0);
        assert_eq!(bay.step(&Load { rain_mm: 4.0, ..hour() }).rain_l, 0.0);
        let flows = bay.step(&Load { rain_mm: 4.0, in_use: true, ..hour() });
        assert!((flows.rain_l - 204.0).abs() < 1e-9 && (flows.overflow_l - 194.0).abs() < 1e-9);
        assert_eq!(bay.volume_l, 9000.0);
    }

    #[test]
    fn in_bypass_the_washers_run_on_town_water() {
        let mut bay = Bay::new(build(), 5000.0);
        let flows = bay.step(&Load { in_loop: false, wash_l: 1000.0, ..hour() });
        assert_eq!((flows.bypass_l, flows.wash_l, flows.makeup_l, flows.run_h), (1000.0, 0.0, 0.0, 0.0));
        assert_eq!(bay.volume_l, 5850.0);
    }

    #[test]
    fn a_worn_pump_runs_longer_for_the_same_water() {
        let load = |pump_health| Load { wash_l: 1000.0, pump_health, ..hour() };
        let hours = |health| Bay::new(build(), 6000.0).step(&load(health)).run_h;
        assert!((hours(1.0) - 0.5).abs() < 1e-12 && (hours(0.8) - 0.625).abs() < 1e-12);
    }

    #[test]
    fn what_comes_in_goes_out_or_stays() {
        let mut bay = Bay::new(build(), 6000.0);
        for hour_no in 0..2000_u32 {
            let load = Load {
                in_loop: hour_no % 500 < 400,
                wash_l: f64::from(hour_no % 11) * 90.0,
                rinse_l: f64::from(hour_no % 11) * 5.0,
                rain_mm: f64::from(hour_no % 97) * 0.05,
                in_use: hour_no % 24 > 6,
                evaporation_mm: 0.15,
                passing_l_per_h: if hour_no > 1500 { 55.0 } else { 0.0 },
                ..hour()
            };
            let before = bay.volume_l;
            let flows = bay.step(&load);
            let inflow = flows.makeup_l + flows.rinse_l + flows.bypass_l + flows.rain_l;
            let outflow = flows.evaporated_l + flows.carried_off_l + flows.sludge_l + flows.overflow_l;
            assert!((bay.volume_l - before - inflow + outflow).abs() < 1e-6, "hour {hour_no}: {flows:?}");
            assert!((0.0..=9000.0).contains(&bay.volume_l));
        }
    }
}
