/* The hourly balance of gonogo/soil/balance.py for two layers as the plainest compiled loop: cell by cell, hour by hour.
   One cell is one member of one strip. It exists to be compared with, in tests/benchmarks/test_moisture.py. */
#include <math.h>

static double above(double x) { return x > 0.0 ? x : 0.0; }
static double least(double a, double b) { return a < b ? a : b; }

void simulate(long n_hours, long n_strips, long n_members,
           double *top_mm, double *base_mm, double *infiltrated, double *ran_off, double *evaporated, double *drained,
           const double *top_thick, const double *base_thick, const double *fc, const double *sat, const double *tew,
           const double *rew, const double *factor, const double *drain, const double *drain_base, const double *level,
           const double *fed, const double *below, const double *intake, const double *demand, const double *rain,
           const double *watering, const long *surface, const unsigned char *turned,
           const double *intake_factor, const double *evaporation_factor, const unsigned char *mixes)
{
    for (long s = 0; s < n_strips; s++) for (long m = 0; m < n_members; m++) {
        const long i = s * n_members + m;
        double top = top_mm[i], base = base_mm[i], in = 0.0, off = 0.0, ev = 0.0, out = 0.0;
        const double ratio = base_thick[i] / top_thick[i], share = 1.0 / (1.0 + ratio), even = level[i] * share;
        const double fc_top = fc[i] * top_thick[i], fc_base = fc[i] * base_thick[i];
        const double sat_top = sat[i] * top_thick[i], sat_base = sat[i] * base_thick[i];
        const double dry = fc_top - tew[i], range = tew[i] - rew[i];
        for (long h = 0; h < n_hours; h++) {
            const long state = surface[h * n_strips + s];
            if (turned[h * n_strips + s]) {
                const double total = top + base;
                top = total * share;
                base = total - top;
            }
            const double fallen = rain[h * n_members + m], put_on = watering[h * n_strips + s];
            if (fallen + put_on > 0.0) {
                const double mixed = mixes[state] ? put_on : 0.0, supply = fallen + put_on - mixed;
                const double capacity = intake[i] * intake_factor[state], soaked = -capacity * expm1(-supply / capacity);
                const double into_top = least(soaked + mixed * share, above(sat_top - top));
                const double into_base = least(soaked + mixed - into_top, above(sat_base - base));
                top += into_top;
                base += into_base;
                in += into_top + into_base;
                off += fallen + put_on - into_top - into_base;
            }
            const double leaving = above(base - fc_base) * drain_base[i];
            base -= leaving;
            out += leaving;
            const double down = least(above(top - fc_top) * drain[i], above(sat_base - base));
            top -= down;
            base += down;
            const double up = even * (base - top * ratio);
            top += up;
            base -= up;
            const double lost = fed[i] * (base - below[i] * base_thick[i]);
            base -= lost;
            out += lost;
            if (demand[h] > 0.0) {
                const double most = factor[i] * evaporation_factor[state] * demand[h];
                const double taken = least(least(above(top - dry) / fmax(range / most + 0.5, 1.0), most), top);
                top -= taken;
                ev += taken;
            }
        }
        top_mm[i] = top; base_mm[i] = base;
        infiltrated[i] = in; ran_off[i] = off; evaporated[i] = ev; drained[i] = out;
    }
}
