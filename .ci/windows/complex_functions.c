/* The complex functions of a Windows C runtime, which Wine's has not: structures there, C99's complex numbers here. */
#include <complex.h>

typedef struct { double real, imaginary; } wide;
typedef struct { float real, imaginary; } narrow;

static double complex of_wide(wide z) { return __builtin_complex(z.real, z.imaginary); }
static float complex of_narrow(narrow z) { return __builtin_complex(z.real, z.imaginary); }
static wide to_wide(double complex z) { return (wide){creal(z), cimag(z)}; }
static narrow to_narrow(float complex z) { return (narrow){crealf(z), cimagf(z)}; }

#define TO_COMPLEX(name) \
    wide ours_##name(wide z) { return to_wide(name(of_wide(z))); } \
    narrow ours_##name##f(narrow z) { return to_narrow(name##f(of_narrow(z))); }
#define TO_REAL(name) \
    double ours_##name(wide z) { return name(of_wide(z)); } \
    float ours_##name##f(narrow z) { return name##f(of_narrow(z)); }

TO_COMPLEX(cacos) TO_COMPLEX(cacosh) TO_COMPLEX(casin) TO_COMPLEX(casinh) TO_COMPLEX(catan) TO_COMPLEX(catanh)
TO_COMPLEX(ccos) TO_COMPLEX(ccosh) TO_COMPLEX(csin) TO_COMPLEX(csinh) TO_COMPLEX(ctan) TO_COMPLEX(ctanh)
TO_COMPLEX(cexp) TO_COMPLEX(clog) TO_COMPLEX(csqrt) TO_COMPLEX(conj) TO_COMPLEX(cproj)
TO_REAL(cabs) TO_REAL(carg) TO_REAL(creal) TO_REAL(cimag)

wide ours_cpow(wide base, wide exponent) { return to_wide(cpow(of_wide(base), of_wide(exponent))); }
narrow ours_cpowf(narrow base, narrow exponent) { return to_narrow(cpowf(of_narrow(base), of_narrow(exponent))); }
wide ours__Cbuild(double real, double imaginary) { return (wide){real, imaginary}; }
wide ours__LCbuild(double real, double imaginary) { return (wide){real, imaginary}; }
narrow ours__FCbuild(float real, float imaginary) { return (narrow){real, imaginary}; }
